"""One job: its setup and events, in memory or in a log on disk, and the answers they give."""

import os
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self, TypedDict, TypeVar, Unpack

from advisor import parsing, units
from advisor.chemistry import fuels
from advisor.decision.advise import Case, advise_case, permit
from advisor.decision.answers import Advice, Verdict, plain_finding
from advisor.decision.time_to_go import time_to_go
from advisor.diagnosis.carbon_monoxide import worth_a_reason
from advisor.errors import RangeError
from advisor.job_setup import band_check
from advisor.job_setup.prior import Prior
from advisor.job_setup.setup import JobSetup
from advisor.log import file
from advisor.log.csv_rows import check_event
from advisor.log.events import Event, Row, local_now, still_valid
from advisor.messages import Finding
from advisor.procedure.progress import Progress, open_items, progress_of
from advisor.response.fitted import Response, response_of
from advisor.response.replay import Replay, standing_rows
from advisor.response.situation import Situation
from advisor.screws import FIRING_FOR, FIRINGS, OFF, RUNNING, SCREWS, Direction, Firing, Running, Screw

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

MOST_O2_PCT = 21.45  # of dry air, 20.95, and what a cell may be off
CLOCK_PLAY = timedelta(minutes=1)  # clocks of two devices may differ by this
MOST_ROWS = 10_000  # of a log that is answered or studied: some 6 s of processor time; a long visit has 200

Named = TypeVar("Named", bound=str)


class SetupKeywords(TypedDict, total=False):
    """What may be stated about a job besides fuel and bands; `advisor.job_setup.setup.JobSetup` says what it means."""

    cap_turns: Mapping[Screw, float] | float
    cap_statement: str
    mark_turns: Mapping[Screw, float] | float
    travel_limit_turns: Mapping[Screw, float] | float
    clockwise: Mapping[Screw, Direction]
    clockwise_stated: Mapping[Screw, bool]
    min_wait_s: Mapping[str, float]
    turndown: float
    turndown_stated: bool
    co_limit_ppm_air_free: float | None
    co_limit: tuple[float, str] | None
    display_step_pct: float
    analyser_accuracy_pct: float | None
    overshoot_chance: float
    stop_chance: float
    pressures: Mapping[str, tuple[float, float, str]]
    input_rate: tuple[float, float, str] | None
    heating_value: tuple[float, str] | None
    prior: Prior | Mapping[str, object]
    site: str
    analyser: str
    practice: bool
    valve_family: str
    prior_source: str
    visit: str
    boiler: str
    serial: str
    reason: str
    valve: str
    technician: str
    analyser_serial: str
    calibrated: str
    policy: Any


class Job:
    """One job. `Job(...)` lives in memory; `Job.create` and `Job.load` live in an append-only log.

    fuel   name of a built-in fuel, or a Fuel
    bands  CO2 band by rate, (low, high) in dry volume percent, from the maker's instructions
    setup  further keywords, see `SetupKeywords`

    Every `at` is a timezone-aware datetime; left out, it is now. Unusable values raise RangeError, an unusable file
    LogError. With `only_if_seen` set, an entry raises LogGrownError where the log has other rows by now than were read
    last.
    """

    only_if_seen = False
    _waiting: list[Event] | None = None  # entries that `together` writes at its end

    def __init__(
        self,
        *,
        fuel: str | fuels.Fuel,
        bands: Mapping[Firing, tuple[float, float]],
        **setup: Unpack[SetupKeywords],
    ) -> None:
        known = fuels.by_name(fuel) if isinstance(fuel, str) else fuel
        self.path: Path | None = None
        checked = JobSetup(fuel=known, bands=bands, **setup)  # type: ignore[arg-type]
        band_check.refuse(checked.fuel, checked.bands)
        self._take(checked, ())

    @classmethod
    def create(
        cls,
        path: str | os.PathLike[str],
        *,
        fuel: str | fuels.Fuel,
        bands: Mapping[Firing, tuple[float, float]],
        **setup: Unpack[SetupKeywords],
    ) -> Self:
        """Start a log at `path`, which must not exist yet; keywords as for Job."""
        job = cls(fuel=fuel, bands=bands, **setup)
        file.create_log(path, job.setup)
        job.path = Path(file.name_of(path))
        return job

    @classmethod
    def load(cls, path: str | os.PathLike[str]) -> Self:
        """Read a log; what was odd but harmless in it is in `warnings`."""
        job = cls.of(*_read(path, MOST_ROWS))
        job.path = Path(file.name_of(path))
        return job

    @classmethod
    def of(cls, setup: JobSetup, events: Iterable[Event], warnings: tuple[str, ...] = ()) -> Self:
        """A job in memory from a setup and rows that were read and checked elsewhere."""
        job = cls.__new__(cls)
        job.path = None
        job._take(setup, tuple(events), warnings)
        return job

    def _take(self, setup: JobSetup, events: tuple[Event, ...], warnings: tuple[str, ...] = ()) -> None:
        self._replay, self.warnings = Replay(setup, events), warnings
        self._case: Case | None = None

    def refresh(self) -> bool:
        """Read the log again: another terminal may have added rows. Tells whether there were any."""
        before = self.events
        if self.path is not None:
            setup, self._replay.events, self.warnings = _read(self.path)
            self._replay.setup = setup
        return self.events != before

    @property
    def setup(self) -> JobSetup:
        """The setup as stated, without what was found out on site."""
        return self._replay.setup

    @property
    def events(self) -> tuple[Event, ...]:
        """All rows in the order of the log, struck ones too."""
        return self._replay.events

    def __repr__(self) -> str:
        where = f"{self.path}, " if self.path else ""
        return f"<Job {where}{self.setup.fuel.name}, {len(self.events)} rows, {self._state()}>"

    def _repr_html_(self) -> str:
        from html import escape

        bands = "; ".join(
            f"{firing} fire {low:g} to {high:g} % CO2" for firing, (low, high) in self.setup.bands.items()
        )
        table = self.to_frame().to_html(max_rows=12, na_rep="", index=False)
        return f"<p><b>{escape(repr(self))}</b><br>{escape(bands)}</p>{table}"

    def _state(self) -> str:
        return self.next(self.ended).action if self.events else "no rows yet"

    def to_frame(self) -> "pd.DataFrame":
        """The rows as a DataFrame: the log's columns, row numbers from 1, whether each row stands."""
        import pandas as pd

        stands = still_valid(self.events)
        rows = [
            {"row": number, **asdict(event), "stands": stand}
            for number, (event, stand) in enumerate(zip(self.events, stands, strict=True), 1)
        ]
        return pd.DataFrame(rows, columns=["row", *Event.__dataclass_fields__, "stands"])

    def plot(self, ax: "Axes | None" = None) -> "Axes":
        """CO2 against time with bands, turns and changes of rate; on new axes unless given, which are returned."""
        import matplotlib.pyplot as plt

        from advisor.report.plots import draw_course
        from advisor.report.record import record_of

        axes = plt.subplots()[1] if ax is None else ax
        draw_course(axes, record_of(self.setup, self.events, self.warnings))
        return axes

    # --- entries ----------------------------------------------------------------------------------

    def run_at(self, firing: Running, *, at: datetime | None = None, note: str = "") -> None:
        """Log that the firing rate was changed to "high" or "low", or that the burner is "off" (`note` says why)."""
        self._append(Event(self._entry_time(at), "firing", firing=_one_of(firing, RUNNING, "firing rate"), note=note))

    def read(
        self,
        firing: Firing,
        co2_pct: float,
        o2_pct: float | None = None,
        co_ppm: float | None = None,
        *,
        at: datetime | None = None,
        note: str = "",
    ) -> None:
        """Log a displayed flue reading: CO2 and O2 in dry volume percent, CO in dry ppm."""
        _one_of(firing, FIRINGS, "firing rate")
        moment = self._entry_time(at)
        if o2_pct is not None and parsing.is_number(o2_pct) and MOST_O2_PCT < o2_pct <= 25:
            raise RangeError(
                f"{o2_pct:g} % O2 can't be: clean air has 20.95. Zero the analyser in clean air, read again"
            )
        self._append(Event(moment, "reading", firing=firing, co2_pct=co2_pct, o2_pct=o2_pct, co_ppm=co_ppm, note=note))

    def co(self, co_ppm: float, *, at: datetime | None = None, note: str = "") -> None:
        """Log CO alone, ppm as displayed, at the rate that runs; also before lighting and with the burner off."""
        moment = self._entry_time(at)
        situation = self.situation(moment)
        firing: Running | None = situation.firing or (OFF if situation.off else None)
        self._append(Event(moment, "reading", firing=firing, co_ppm=co_ppm, note=note))

    def turn(self, screw: Screw, turns_cw: float, *, at: datetime | None = None, note: str = "") -> None:
        """Log a turn that was made, clockwise positive, in turns; also one that was too large or unadvised.

        RangeError before the boiler was lit: the screws are then put to the maker's starting position, a check.
        """
        _one_of(screw, SCREWS, "screw")
        moment = self._entry_time(at)
        lit = any(row.event.event == "firing" and row.event.rate for row in self.rows(moment))  # no model needed
        if not (lit or self.situation(moment).was_lit):
            raise RangeError(
                "the boiler was not lit yet: what is turned before that is the maker's starting position. Log it as "
                'check "screws at start" yes'
            )
        self._append(Event(moment, "turn", screw=screw, turns_cw=turns_cw, note=note))

    def check(
        self, item: str, value: float | str, unit: str = "", *, at: datetime | None = None, note: str = ""
    ) -> None:
        """Log something that was looked at: a gas pressure with its unit, the sample line, the way of a screw."""
        from advisor.log import check_items  # here, not above: no answer needs to read what was typed

        if not isinstance(item, str) or not (isinstance(value, str) or parsing.is_number(value)):
            raise RangeError(
                f"check {item!r:.40} {value!r:.40}: give what was looked at in words, and words or a number"
            )
        text = value if isinstance(value, str) else f"{value:.10g}"
        text, unit = (text, unit) if unit else parsing.split_unit(text)
        check_items.ask_about_name(item, self.setup)
        moment = self._entry_time(at)
        if item in self.setup.pressures:
            if not unit:
                raise RangeError(f"the {item} needs its unit, such as {self.setup.pressures[item][2]}")
            units.pressure_pa(parsing.parse_number(text, item), unit)
        elif known := check_items.check_item(item, self.setup):
            text, unit = check_items.parse_answer(known, f"{text} {unit}", self.setup, moment.date())
            check_items.ask_back(item, text, self.setup)
        self._append(Event(moment, "check", item=item, value=text, unit=unit, note=note))

    def note(self, text: str, *, item: str = "", value: str = "", unit: str = "", at: datetime | None = None) -> None:
        """Log a remark; `item` and `value` say what it is about, such as "skipped stage" and the stage's name."""
        self._append(Event(self._entry_time(at), "note", item=item, value=value, unit=unit, note=text))

    def void(self, row: int | None = None, *, at: datetime | None = None, note: str = "") -> int:
        """Strike a row by its number, or the last row that stands; returns its number."""
        number = self._last_standing() if row is None else row
        if not isinstance(number, int) or not 1 <= number <= len(self.events):
            raise RangeError(f"row {number} is not in this log: it has rows 1 to {len(self.events)}")
        if not still_valid(self.events)[number - 1]:
            raise RangeError(f"row {number} is struck already")
        event = self.events[number - 1]
        if not note.strip() and worth_a_reason(self.situation(self.ended).setup, event):
            raise RangeError(
                f"row {number} has CO {event.co_ppm:g} ppm, and stays on the record: say why it is struck "
                "(--note WORDS)"
            )
        when = self._entry_time(at or local_now())  # now, also where the row to strike is of a time to come
        self._append(Event(when, "void", item="row", value=str(number), note=note))
        return number

    def _last_standing(self) -> int:
        valid = still_valid(self.events)
        for number in range(len(self.events), 0, -1):
            if valid[number - 1] and self.events[number - 1].event != "void":
                return number
        raise RangeError("there is no row left to strike")

    def _entry_time(self, at: datetime | None) -> datetime:
        """The moment given, else now."""
        at = self.moment() if at is None else _zoned(at)
        return at.replace(microsecond=at.microsecond // 1000 * 1000)

    def moment(self, now: datetime | None = None) -> datetime:
        """The moment of an entry made now: just after the last row where the clock is a little behind it."""
        at = local_now() if now is None else _zoned(now)
        for row in self.rows()[-1:]:
            if row.event.time - at > CLOCK_PLAY:
                raise RangeError(
                    f"this clock shows {at:%H:%M}, but row {row.number} is of {row.event.time:%Y-%m-%d %H:%M}: set the "
                    f"clock; or if that row's time is wrong, strike it with void {row.number} and log it again"
                )
            at = max(at, row.event.time + timedelta(milliseconds=1))
        return at

    @contextmanager
    def together(self) -> Iterator[None]:
        """Entries made meanwhile are written in one go at the end; none of them where an error ends it before."""
        before, self._waiting = self.events, []
        try:
            yield
            made, self._waiting = self._waiting, None
            self._write(made, before)
        except BaseException:
            self._replay.events = before
            raise
        finally:
            self._waiting = None

    def _append(self, event: Event) -> None:
        check_event(event)
        if self._waiting is None:
            self._write([event], self.events)
        else:
            self._waiting.append(event)
            self._replay.events = (*self.events, event)

    def _write(self, made: list[Event], before: tuple[Event, ...]) -> None:
        if self.path is None:
            self._replay.events = (*before, *made)
        elif made:
            file.append_events(self.path, made, before if self.only_if_seen else None)
            self.refresh()

    # --- answers ----------------------------------------------------------------------------------

    @property
    def ended(self) -> datetime | None:
        """Time of the log's last row, struck or not; None where there is none."""
        return max((event.time for event in self.events), default=None)

    def rows(self, at: datetime | None = None) -> list[Row]:
        """The rows that stand, up to `at`, in order of time."""
        return standing_rows(self.events, None if at is None else _zoned(at))

    def situation(self, at: datetime | None = None) -> Situation:
        """The job as it stands at a moment; left out: now, or at its last row where the clock is behind that."""
        return self.case(at).situation

    def case(self, at: datetime | None = None) -> Case:
        """The situation with what the decision works out of it; the last one is kept."""
        situation, last = self._replay.at(None if at is None else _zoned(at)), self._case
        if not last or last.situation.tracker is not situation.tracker or last.situation.at != situation.at:
            last = self._case = Case(situation)
        return last

    def next(self, at: datetime | None = None) -> Advice:
        """How far next, which way, how long to wait, what to expect, am I done, what is wrong."""
        case = self.case(at)
        advice = advise_case(case)
        left = time_to_go(case, advice)
        minutes, turns = left or (None, None)
        return replace(advice, open_items=open_items(case), minutes_left=minutes, turns_left=turns)

    def progress(self, at: datetime | None = None, advice: Advice | None = None) -> Progress:
        """Which stage the visit is in and how each stands; `advice`, where `next` was asked already, saves time."""
        case = self.case(at)
        return progress_of(case, advise_case(case) if advice is None else advice)

    def may(self, screw: Screw, turns_cw: float, at: datetime | None = None) -> Verdict:
        """May this screw be turned this far now (turns, clockwise positive)?"""
        _one_of(screw, SCREWS, "screw")
        check_event(Event(datetime.now(UTC), "turn", screw=screw, turns_cw=turns_cw))
        return permit(self.case(at), screw, turns_cw)

    def findings(self, at: datetime | None = None) -> tuple[Finding, ...]:
        """What is wrong, as far as the data can tell, the gravest first."""
        return self.case(at).findings

    def response(self, screw: Screw, firing: Firing | None = None, at: datetime | None = None) -> Response:
        """The fitted response of a screw at a rate (left out: the rate where it is set)."""
        _one_of(screw, SCREWS, "screw")
        firing = FIRING_FOR[screw] if firing is None else _one_of(firing, FIRINGS, "firing rate")
        return response_of(self.situation(at), screw, firing)

    def as_dict(self, at: datetime | None = None) -> dict[str, Any]:
        """The job so far as plain values for a program: setup, rows, responses, findings, the answer."""
        situation = self.situation(at)
        setup = {name: _plain(value) for name, value in vars(situation.setup).items() if name != "policy"}
        standing = {row.number for row in situation.rows}
        return {
            "setup": setup,
            "rows": [
                {"row": number, "stands": number in standing, **asdict(event)}
                for number, event in enumerate(self.events, 1)
            ],
            "responses": [response_of(situation, screw, FIRING_FOR[screw]).as_dict() for screw in SCREWS],
            "findings": [plain_finding(finding) for finding in self.case(at).findings],
            "next": self.next(at).as_dict(),
            "warnings": list(self.warnings),
        }


def _read(
    path: str | os.PathLike[str], most_rows: int | None = None
) -> tuple[JobSetup, tuple[Event, ...], tuple[str, ...]]:
    log = file.read_log(path, most_rows)
    return log.setup, log.events, log.warnings


def _plain(value: Any) -> Any:
    """Values of a setup as JSON takes them: a fuel or a prior as a mapping of its values."""
    if isinstance(value, fuels.Fuel):
        return {"name": value.name, "composition": dict(value.composition)}
    if isinstance(value, Prior):
        return {name: _plain(part) for name, part in vars(value).items()}
    if isinstance(value, Mapping):
        return {key: _plain(part) for key, part in value.items()}
    return list(value) if isinstance(value, tuple) else value


def _zoned(at: datetime) -> datetime:
    """The moment, if it is one that has a time zone. Raises RangeError."""
    if not isinstance(at, datetime):
        raise RangeError(f"time {at!r:.40} is no moment: give a datetime with its time zone")
    if at.tzinfo is None:
        raise RangeError(f"time {at.isoformat()} has no time zone: give one, such as {at.isoformat()}+00:00")
    return at


def _one_of(value: Named, allowed: tuple[Named, ...], what: str) -> Named:
    if value not in allowed:
        raise RangeError(f"{what} '{value}': it is {', '.join(allowed[:-1])} or {allowed[-1]}")
    return value
