"""One job: its facts and events, in memory or in a log on disk, and the answers they give."""

import os
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Self

from advisor import units
from advisor.chemistry import fuels
from advisor.decision.advise import Advice, Verdict, advise, permit
from advisor.decision.candidates import gain_at_present
from advisor.diagnosis.findings import find
from advisor.errors import RangeError
from advisor.job_setup.prior import Prior
from advisor.job_setup.setup import DIRECTIONS, Facts
from advisor.log import file as log
from advisor.log.csv_rows import check_event
from advisor.log.events import FIRINGS, SCREWS, Event, local_now, still_valid
from advisor.log.site_facts import facts_on_site
from advisor.procedure import progress, stages
from advisor.procedure.progress import Progress
from advisor.response.filter import Belief
from advisor.response.model import FIRING_FOR
from advisor.response.reading_checks import Finding
from advisor.response.situation import Visit
from advisor.response.tracker import LEAKING, SAMPLE_LINE, TIGHT, History, Row, clockwise_item, facts_as_told, in_order

CLOCK_PLAY = timedelta(minutes=1)  # clocks of two devices may differ by this
MOST_ROWS = 10_000  # of a log that is answered or studied: some 6 s of processor time; a long visit has 200


@dataclass(frozen=True)
class Response:
    """What the job so far says about one screw at one rate, and what it does not say.

    gain_per_turn, gain_low, gain_high  % CO2 per turn clockwise at the present point, 90 % range
    slack        expected play of the screw, turns
    lag          expected dead time plus time constant of the display, s
    n_readings   readings at this rate that count; n_moves: turns of this screw
    chance_reversed, chance_dead  0 to 1
    not_known    sentences
    """

    screw: str
    firing: str
    gain_per_turn: float
    gain_low: float
    gain_high: float
    slack: float
    lag: float
    dead_time_s: float
    time_constant_s: float
    n_readings: int
    n_moves: int
    chance_reversed: float
    chance_dead: float
    not_known: tuple[str, ...]


class Job:
    """One job. `Job(...)` lives in memory; `Job.create` and `Job.load` live in an append-only log.

    Keywords are the fields of `advisor.job_setup.setup.Facts`; `fuel` may be a name or a Fuel. Every `at` is a
    timezone-aware datetime; left out, it is now. Unusable values raise RangeError, an unusable file LogError.
    With `only_if_seen` set, an entry raises LogGrownError where the log has other rows by now than were read last.
    """

    only_if_seen = False

    def __init__(self, *, fuel: str | fuels.Fuel, bands: Mapping[str, tuple[float, float]], **facts: Any) -> None:
        self.facts = Facts(fuel=fuels.by_name(fuel) if isinstance(fuel, str) else fuel, bands=bands, **facts)
        self.path: Path | None = None
        self.warnings: tuple[str, ...] = ()
        self._events: tuple[Event, ...] = ()
        self._known: tuple[tuple[Row, ...], History] | None = None

    @classmethod
    def create(
        cls,
        path: str | os.PathLike[str],
        *,
        fuel: str | fuels.Fuel,
        bands: Mapping[str, tuple[float, float]],
        **facts: Any,
    ) -> Self:
        """Start a log at `path`, which must not exist yet; `bands` in % CO2, the other facts as for Job."""
        job = cls(fuel=fuel, bands=bands, **facts)
        log.create_log(path, job.facts)
        job.path = Path(log.name_of(path))
        return job

    @classmethod
    def load(cls, path: str | os.PathLike[str]) -> Self:
        """Read a log; what was odd but harmless in it is in `warnings`."""
        job = cls.__new__(cls)
        job.path, job._known = Path(log.name_of(path)), None
        job._take(log.read_log(path, MOST_ROWS))
        return job

    def refresh(self) -> bool:
        """Read the log again: another terminal may have added rows. Tells whether there were any."""
        before = self._events
        if self.path is not None:
            self._take(log.read_log(self.path))
        return self._events != before

    @classmethod
    def of(cls, facts: Facts, events: Iterable[Event]) -> Self:
        """A job in memory from facts and rows that were read and checked elsewhere."""
        job = cls.__new__(cls)
        job.path, job._known = None, None
        job._take(log.Log(facts, tuple(events), ()))
        return job

    def _take(self, read: log.Log) -> None:
        self.facts, self._events, self.warnings = read.facts, read.events, read.warnings

    @property
    def events(self) -> tuple[Event, ...]:
        """All rows in the order of the log, struck ones too."""
        return self._events

    # --- entries ----------------------------------------------------------------------------------

    def run_at(self, firing: str, *, at: datetime | None = None, note: str = "") -> None:
        """Log that the firing rate was changed to "high" or "low"."""
        self._append(Event(self._entry_time(at), "firing", firing=_one_of(firing, FIRINGS, "firing rate"), note=note))

    def read(
        self,
        firing: str,
        co2_pct: float,
        o2_pct: float | None = None,
        co_ppm: float | None = None,
        *,
        at: datetime | None = None,
        note: str = "",
    ) -> None:
        """Log a displayed flue reading: CO2 and O2 in dry volume percent, CO in dry ppm."""
        _one_of(firing, FIRINGS, "firing rate")
        self._append(
            Event(
                self._entry_time(at),
                "reading",
                firing=firing,
                co2_pct=co2_pct,
                o2_pct=o2_pct,
                co_ppm=co_ppm,
                note=note,
            )
        )

    def turn(self, screw: str, turns_cw: float, *, at: datetime | None = None, note: str = "") -> None:
        """Log a turn that was made, clockwise positive, in turns; also one that was too large or unadvised."""
        _one_of(screw, SCREWS, "screw")
        self._append(Event(self._entry_time(at), "turn", screw=screw, turns_cw=turns_cw, note=note))

    def check(
        self, item: str, value: float | str, unit: str = "", *, at: datetime | None = None, note: str = ""
    ) -> None:
        """Log something that was looked at: a gas pressure with its unit, the sample line, the way of a screw."""
        if not isinstance(item, str) or not (isinstance(value, str) or units.is_number(value)):
            raise RangeError(
                f"check {item!r:.40} {value!r:.40}: give what was looked at in words, and words or a number"
            )
        text = value if isinstance(value, str) else f"{value:.10g}"
        text, unit = (text, unit) if unit else units.part(text)
        import difflib  # these here, not above: no answer needs them

        from advisor.procedure import answers

        with_effect = [SAMPLE_LINE, *map(clockwise_item, SCREWS), *self.facts.pressures]
        meant = difflib.get_close_matches(item.lower(), with_effect, 1, 0.7)
        if item not in (*with_effect, *stages.ITEMS) and meant:
            raise RangeError(f"check '{item}': did you mean \"{meant[0]}\"? Put it in quotes, it is one name")
        if item in self.facts.pressures:
            if not unit:
                raise RangeError(f"the {item} needs its unit, such as {self.facts.pressures[item][2]}")
            units.pressure_pa(units.parse_number(text, item), unit)
        elif item in map(clockwise_item, SCREWS):
            text = text.lower()
            _one_of(text, DIRECTIONS, item)
        elif item == SAMPLE_LINE:
            text = text.lower()
            _one_of(text, (TIGHT, LEAKING), item)
        elif question := stages.question_for(item, self.facts):
            text, unit = answers.typed(question, f"{text} {unit}", self.facts, self._entry_time(at).date())
            answers.ask_back(item, text, self.facts)
        self._append(Event(self._entry_time(at), "check", item=item, value=text, unit=unit, note=note))

    def note(self, text: str, *, item: str = "", value: str = "", unit: str = "", at: datetime | None = None) -> None:
        """Log a remark; `item` and `value` say what it is about, such as "skipped stage" and the stage's name."""
        self._append(Event(self._entry_time(at), "note", item=item, value=value, unit=unit, note=text))

    def void(self, row: int | None = None, *, at: datetime | None = None, note: str = "") -> int:
        """Strike a row by its number, or the last row that stands; returns its number."""
        number = self._last_standing() if row is None else row
        if not isinstance(number, int) or not 1 <= number <= len(self._events):
            raise RangeError(f"row {number} is not in this log: it has rows 1 to {len(self._events)}")
        if not still_valid(self._events)[number - 1]:
            raise RangeError(f"row {number} is struck already")
        when = self._entry_time(at or local_now())  # now, also where the row to strike is of a time to come
        self._append(Event(when, "void", item="row", value=str(number), note=note))
        return number

    def _last_standing(self) -> int:
        valid = still_valid(self._events)
        for number in range(len(self._events), 0, -1):
            if valid[number - 1] and self._events[number - 1].event != "void":
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

    def _append(self, event: Event) -> None:
        check_event(event)
        if self.path is None:
            self._events = (*self._events, event)
        else:
            log.append_events(self.path, [event], self._events if self.only_if_seen else None)
            self.refresh()

    # --- answers ----------------------------------------------------------------------------------

    def rows(self, at: datetime | None = None) -> list[Row]:
        """The rows that stand, up to `at`, in order of time."""
        valid = still_valid(self._events, None if at is None else _zoned(at))
        return in_order(
            [
                Row(number, event)
                for number, (event, stands) in enumerate(zip(self._events, valid, strict=True), 1)
                if stands and event.event != "void" and (at is None or event.time <= at)
            ]
        )

    def visit(self, at: datetime | None = None) -> Visit:
        """The job as it stands at a moment; left out: now, or at its last row where the clock is behind that."""
        rows = tuple(self.rows(at))
        if at is None:
            at = max([datetime.now(UTC), *(row.event.time for row in rows[-1:])])
        facts = facts_on_site(facts_as_told(self.facts, rows), (row.event for row in rows))
        return Visit(facts, rows, self._history(facts, rows), at)

    @property
    def ended(self) -> datetime | None:
        """Time of the log's last row, struck or not; None where there is none."""
        return max((event.time for event in self._events), default=None)

    def _history(self, facts: Facts, rows: tuple[Row, ...]) -> History:
        """What the rows taught; goes on from the last answer where the rows only grew."""
        known_rows, history = self._known or ((), None)
        if history is None or history.belief.model.facts != facts or rows[: len(known_rows)] != known_rows:
            known_rows, history = (), History(Belief.before_any_event(facts))
        for row in rows[len(known_rows) :]:
            history = history.after(row)
        self._known = (rows, history)
        return history

    def next(self, at: datetime | None = None) -> Advice:
        """How far next, which way, how long to wait, what to expect, am I done, what is wrong."""
        visit = self.visit(at)
        return replace(advise(visit), open_items=progress.open_items(visit))

    def progress(self, at: datetime | None = None, advice: Advice | None = None) -> Progress:
        """Which stage the visit is in and how each stands; `advice`, where `next` was asked already, saves time."""
        visit = self.visit(at)
        return progress.follow(visit, advise(visit) if advice is None else advice)

    def may(self, screw: str, turns_cw: float, at: datetime | None = None) -> Verdict:
        """May this screw be turned this far now (turns, clockwise positive)?"""
        _one_of(screw, SCREWS, "screw")
        check_event(Event(datetime.now(UTC), "turn", screw=screw, turns_cw=turns_cw))
        return permit(self.visit(at), screw, turns_cw)

    def findings(self, at: datetime | None = None) -> tuple[Finding, ...]:
        """What is wrong, as far as the data can tell, the gravest first."""
        return find(self.visit(at))

    def as_record(self, at: datetime | None = None) -> dict[str, Any]:
        """The job so far as plain values for a program: facts, rows, responses, findings, the answer."""
        visit = self.visit(at)
        facts = {name: _plain(value) for name, value in vars(visit.facts).items()}
        standing = {row.number for row in visit.rows}
        return {
            "facts": facts,
            "rows": [
                {"row": number, "stands": number in standing, **asdict(event)}
                for number, event in enumerate(self._events, 1)
            ],
            "responses": [asdict(self.response(screw, at=at)) for screw in SCREWS],
            "findings": [asdict(finding) for finding in find(visit)],
            "next": asdict(self.next(at)),
            "warnings": list(self.warnings),
        }

    def response(self, screw: str, firing: str | None = None, at: datetime | None = None) -> Response:
        """The fitted response of a screw at a rate (left out: the rate where it is set)."""
        _one_of(screw, SCREWS, "screw")
        firing = FIRING_FOR[screw] if firing is None else _one_of(firing, FIRINGS, "firing rate")
        visit = self.visit(at)
        belief, hypotheses = visit.belief, visit.belief.model.screws[screw]
        chance, lag_chance, lag = belief.chances(screw), belief.lag_chances(), belief.model.lag
        dead_time_s, time_constant_s = (
            float(lag_chance @ lag.dead_time_s),
            float(lag_chance @ lag.time_constant_s),
        )
        moves = [turn.time.timestamp() for turn in visit.turns_of(screw)]
        return Response(
            screw=screw,
            firing=firing,
            **gain_at_present(visit, screw, firing),
            slack=float(chance @ hypotheses.slack),
            lag=dead_time_s + time_constant_s,
            dead_time_s=dead_time_s,
            time_constant_s=time_constant_s,
            n_readings=len(visit.settled_readings(firing, 0.0)),
            n_moves=len(moves),
            chance_reversed=float(chance[hypotheses.gain < 0].sum()),
            chance_dead=float(chance[hypotheses.dead].sum()),
            not_known=_not_known(visit, screw, firing, moves),
        )


def _not_known(visit: Visit, screw: str, firing: str, moves_s: list[float]) -> tuple[str, ...]:
    """What the readings so far leave open about a screw, in sentences."""
    open_points = []
    read = visit.settled_readings(FIRING_FOR[screw], min(moves_s)) if moves_s else []
    if not moves_s:
        open_points.append(f"The gain is a guess: the {screw} screw has not been turned yet.")
    elif not read:
        open_points.append(f"The gain is a guess: no settled reading at {FIRING_FOR[screw]} fire since the first turn.")
    ways = {(turn.turns_cw or 0) > 0 for turn in visit.turns_of(screw)}
    if len(ways) < 2:
        open_points.append("The slack is a guess: the screw was not turned both ways.")
    if (
        not any(0 < row.event.time.timestamp() - visit.changed_at_s < 60 for row in visit.of("reading"))
        and len(moves_s) < 2
    ):
        open_points.append("The lag is a guess: no reading was taken while the display still moved.")
    if firing != FIRING_FOR[screw]:
        open_points.append(
            f"At {firing} fire the gain is worked out from {FIRING_FOR[screw]} fire and the turndown, not measured."
        )
    return tuple(open_points)


def _plain(value: Any) -> Any:
    """Facts as JSON takes them: a fuel or a prior as a mapping of its values."""
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


def _one_of(value: str, allowed: tuple[str, ...], what: str) -> str:
    if value not in allowed:
        raise RangeError(f"{what} '{value}': it is {' or '.join(allowed)}")
    return value
