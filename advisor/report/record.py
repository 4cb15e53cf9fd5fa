"""The record of one job: as found and as left at both rates, every turn, what was wrong, what is missing.

A pure function of the log: the same rows give the same record whenever and wherever it is made. A quantity that was not
read is said to be missing, never worked out from others.
"""

import itertools
from collections.abc import Container, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime

from advisor import parsing, units
from advisor.decision.advise import Case, advise_case, permit
from advisor.decision.answers import Advice
from advisor.diagnosis.answers import Wrong, drop_of
from advisor.diagnosis.carbon_monoxide import CO_STOPS, OF_CO, co_struck, stops_for_co
from advisor.diagnosis.findings import STOPPING_ITEMS
from advisor.diagnosis.way_back import WayBack, way_back
from advisor.errors import RangeError
from advisor.job_setup.setup import JobSetup
from advisor.log.check_items import (
    AIR_C,
    CLEAN_AIR_CO,
    CLEAN_AIR_O2,
    CO_CAUSE,
    CO_LIMIT,
    FLUE_C,
    INPUT_RATE,
    LEFT_OUT,
    OUT_OF_SERVICE,
    OUTCOME,
    PLATE_INPUT,
    PLATE_PRESSURE,
    SAMPLE_LINE,
    SKIPPED,
    STANDING,
    TRACE,
    WORKING,
)
from advisor.log.events import Event, Row, firing_at_rows
from advisor.log.site_facts import TEXTS, answers_by_item, input_kw, pressure_in_plate_unit
from advisor.messages import Finding, Reason
from advisor.procedure.progress import (
    Progress,
    StageState,
    Step,
    open_items,
    progress_of,
    skipped_unproved,
    unanswered,
    wrong_finding,
)
from advisor.procedure.stages import RECORD
from advisor.report.flue import DOUBTED, ON_THE_WAY, SETTLED, FiringRecord, ReadingState, firing_record
from advisor.response.fitted import Response, response_of
from advisor.response.reading_checks import co_air_free_ppm, judge, usable
from advisor.response.replay import Replay
from advisor.response.situation import Situation, Struck
from advisor.screws import FIRING_FOR, FIRINGS, SCREW_FOR, SCREWS, Firing, Screw
from advisor.wording import past_text, short_text

PLACED = (INPUT_RATE, PLATE_INPUT, PLATE_PRESSURE, FLUE_C, AIR_C, OUTCOME, CLEAN_AIR_O2, CLEAN_AIR_CO, *TEXTS)
MOST_OPEN = 3  # names of what is open that the next visit is told
NEVER = datetime(2000, 1, 1, tzinfo=UTC)  # of a log without rows


@dataclass(frozen=True)
class Supply:
    """A gas pressure or the input: its latest check and the data plate's range, in the data plate's unit.

    value, time  None where it was not checked
    typed        value and unit as typed, where the unit is another; "" otherwise
    plate        low and high; None where the data plate's range was not stated
    """

    name: str
    unit: str
    plate: tuple[float, float] | None
    value: float | None = None
    time: datetime | None = None
    typed: str = ""

    @property
    def inside(self) -> bool | None:
        """Whether it lies inside the data plate's range; None where either is not known."""
        if self.value is None or self.plate is None:
            return None
        return self.plate[0] <= self.value <= self.plate[1]


@dataclass(frozen=True)
class Reading:
    """A displayed CO2 and whether it counts: SETTLED, ON_THE_WAY or DOUBTED."""

    row: int
    time: datetime
    firing: Firing
    co2_pct: float
    state: ReadingState


@dataclass(frozen=True)
class Turn:
    """A turn that was made, clockwise positive, at the rate that ran.

    over_cap  whether with it the net travel since the last settled reading passed the cap
    refused   why it was not advised at that moment; None where it was allowed
    """

    row: int
    time: datetime
    screw: Screw
    turns_cw: float
    firing: Firing | None
    over_cap: bool
    refused: Reason | None
    note: str


@dataclass(frozen=True)
class Seen:
    """A finding, the row after which it first stood, and when it was cleared (None: it still stands).

    finding   with its latest data while it stands; with those of its row once it was cleared
    struck    why its row was struck; "" where it was not
    told      of a stop: rows that say what was found or mended while it stood; last the one that cleared it
    """

    finding: Finding
    row: int
    time: datetime
    cleared: datetime | None
    struck: str = ""
    told: tuple[Row, ...] = ()

    @property
    def headline(self) -> str:
        """What was seen, without what to do."""
        return past_text(self.finding) if self.cleared else f"{short_text(self.finding.code)}."


@dataclass(frozen=True)
class HighestCO:
    """The highest CO of the visit, as displayed; air-free where O2 or CO2 was read with it."""

    row: int
    time: datetime
    firing: str
    co_ppm: float
    air_free_ppm: float | None


@dataclass(frozen=True)
class Record:
    """The record of one job as of its last row.

    finished   whether both rates hold and every stage is over; `missing` says what is not
    highest_co the reading with the highest CO of the visit, struck ones too; None where CO was never read
    supply     gas pressures and input against the data plate
    changes    (time, firing) of every change of firing rate; None: burner off
    offs       rows in which the burner went off, or was found off
    net_turns_cw  by screw, from as found, clockwise positive
    steps      by screw: (net turn, CO2 change) between settled readings with only that screw turned between
    seen       halts, and CO that was struck, in the order they came; then warnings, and the notes that stand now
    skipped    (stage, reason)
    drop       from standing to working pressure; None where one was not measured
    calibrated, calibration_age_days  of the analyser; None where not told
    way_back   how to put the turned screws back as found
    told       the latest answer to each check with its unit, by its item
    traced     whether readings were taken from an analyser's own series
    checks, remarks, struck  rows: checks that have no place above, what has a note, what was voided
    """

    setup: JobSetup
    began: datetime | None
    ended: datetime | None
    n_rows: int
    finished: bool
    missing: tuple[Reason | Finding, ...]
    rates: Mapping[Firing, FiringRecord]
    highest_co: HighestCO | None
    supply: tuple[Supply, ...]
    readings: tuple[Reading, ...]
    changes: tuple[tuple[datetime, Firing | None], ...]
    offs: tuple[Row, ...]
    turns: tuple[Turn, ...]
    net_turns_cw: Mapping[Screw, float]
    responses: Mapping[Screw, Response]
    steps: Mapping[Screw, tuple[tuple[float, float], ...]]
    seen: tuple[Seen, ...]
    skipped: tuple[tuple[str, str], ...]
    drop: Reason | None
    calibrated: date | None
    calibration_age_days: int | None
    way_back: tuple[WayBack, ...]
    told: Mapping[str, str]
    checks: tuple[Row, ...]
    remarks: tuple[Row, ...]
    struck: tuple[Row, ...]
    warnings: tuple[str, ...]
    traced: bool = False

    @property
    def open_names(self) -> str:
        """What is missing, by name alone."""
        return ", ".join(dict.fromkeys(map(_name, self.missing)))

    def clock(self, moment: datetime, *, seconds: bool = False) -> str:
        """The time of day, with the month and day where the visit took more than one."""
        one_day = self.began is None or self.ended is None or self.began.date() == self.ended.date()
        return f"{moment:{'%H:%M:%S' if seconds and one_day else '%H:%M' if one_day else '%m-%d %H:%M'}}"

    def read_since_turned(self, screw: Screw) -> bool:
        """Whether a settled reading at its own rate has shown anything of what this screw does."""
        turned = [turn.time for turn in self.turns if turn.screw == screw]
        shown = [r.time for r in self.readings if r.state == SETTLED and SCREW_FOR[r.firing] == screw]
        return bool(turned and shown) and max(shown) > min(turned)


def record_of(setup: JobSetup, events: Sequence[Event], warnings: tuple[str, ...] = ()) -> Record:
    """The record of a job as of its last row; `warnings` are what was odd about the log file."""
    replay = Replay(setup, events)
    situation = replay.at(max((event.time for event in events), default=NEVER))
    if situation.rows:  # a row that was struck later is struck, but the visit did not go on until then
        situation = replace(situation, at=situation.rows[-1].event.time)
    case = Case(situation)
    advice = advise_case(case)
    progress = progress_of(case, advice)
    seen, states, over_cap, refused = _lived_through(replay, situation, progress)
    running = firing_at_rows(situation.rows)
    turns = tuple(
        _turn(row, running[row.number], over_cap=row.number in over_cap, refused=refused.get(row.number))
        for row in situation.of("turn")
    )
    rates = {firing: firing_record(case, firing, states) for firing in FIRINGS}
    standing = {row.number for row in situation.rows}
    missing = _missing(case, advice, rates, progress)
    told = answers_by_item(situation.rows)
    calibrated = _day(situation.setup.calibrated)
    measured = [
        name for name in (STANDING, WORKING) if name not in situation.setup.pressures and situation.checks(name)
    ]
    pressures = (*situation.setup.pressures, *measured)
    placed = {*pressures, *PLACED}
    drop = drop_of(situation)
    return Record(
        setup=situation.setup,
        began=situation.rows[0].event.time if situation.rows else None,
        ended=situation.rows[-1].event.time if situation.rows else None,
        n_rows=len(events),
        finished=not missing,
        missing=missing,
        rates=rates,
        highest_co=_highest_co(situation, events),
        supply=(*(_pressure(situation, name) for name in pressures), *_input(situation, running)),
        readings=tuple(
            Reading(row.number, row.event.time, row.event.rate, row.event.co2_pct, states[row.number])
            for row in situation.of("reading")
            if row.event.rate and row.event.co2_pct is not None
        ),
        changes=_changes(situation.rows, running),
        offs=tuple(row for row in situation.of("firing") if not row.event.rate),
        turns=turns,
        net_turns_cw={screw: situation.net_turns_cw(screw) for screw in SCREWS},
        responses={screw: response_of(situation, screw, FIRING_FOR[screw]) for screw in SCREWS},
        steps={SCREW_FOR[firing]: _steps(situation, firing) for firing in FIRINGS},
        seen=seen,
        skipped=_skipped(situation, progress),
        drop=Reason("drop", drop._asdict()) if drop else None,
        calibrated=calibrated,
        calibration_age_days=max(0, (situation.at.date() - calibrated).days) if calibrated else None,
        way_back=way_back(situation),
        told=told,
        checks=tuple(row for row in situation.of("check") if row.event.item not in placed),
        remarks=tuple(row for row in situation.rows if row.event.note and not _told_elsewhere(row.event)),
        struck=tuple(
            Row(number, event)
            for number, event in enumerate(events, 1)
            if number not in standing and event.event != "void"
        ),
        warnings=warnings,
        traced=bool(situation.notes(TRACE)),
    )


def last_visit(record: Record) -> str:
    """What the next visit has to know of one that was not as it should be; "" where nothing was wrong."""
    halts = [seen for seen in record.seen if seen.finding.severity == "halt"]
    stops = [_stop_name(seen.finding) for seen in halts if not seen.cleared or stops_for_co(seen.finding)]
    names, highest = record.open_names.split(", "), record.highest_co
    said = []
    if not record.finished:
        more = f" and {len(names) - MOST_OPEN} more" if len(names) > MOST_OPEN else ""
        said.append(f"not finished: {', '.join(names[:MOST_OPEN])}{more}")
    if record.told.get(OUTCOME) == OUT_OF_SERVICE:
        said.append(f"left {OUT_OF_SERVICE}")
    if highest and any(seen.finding.code in (*OF_CO, *CO_STOPS) for seen in record.seen):
        air_free = "" if highest.air_free_ppm is None else f", {highest.air_free_ppm:.0f} air-free"
        said.append(f"highest CO {highest.co_ppm:g} ppm{air_free}")
    if stops:
        said.append(f"stopped for {', '.join(dict.fromkeys(stops))}")
    return f"{'; '.join(said)}." if said else ""


def _stop_name(stop: Finding) -> str:
    return str(stop.data["item"]) if stop.code in ("not-ready", "wrong-answer") else short_text(stop.code)


def _highest_co(situation: Situation, events: Sequence[Event]) -> HighestCO | None:
    standing = {row.number: row.event for row in situation.rows}  # these know the flue of CO read alone
    read = [
        (event.co_ppm, row, standing.get(row, event)) for row, event in enumerate(events, 1) if event.co_ppm is not None
    ]
    if not read:
        return None
    co_ppm, row, event = max(read, key=lambda each: each[0])
    return HighestCO(row, event.time, event.firing or "", co_ppm, co_air_free_ppm(situation.setup, event))


def _day(words: str) -> date | None:
    with suppress(ValueError):
        return date.fromisoformat(words)
    return None


def _told_elsewhere(event: Event) -> bool:
    published = event.item == LEFT_OUT and event.value == CO_LIMIT  # it was taken, and stands beside the bands
    return event.event in ("turn", "check", "firing") or event.item == SKIPPED or published


def _skipped(situation: Situation, progress: Progress) -> tuple[tuple[str, str], ...]:
    """Stages that were skipped and not done after all, each with its last reason."""
    done = {state.stage.name for state in progress.states if state.state != "skipped"}
    return tuple({e.value: e.note for e in situation.notes(SKIPPED) if e.value not in done}.items())


def _lived_through(
    replay: Replay, situation: Situation, progress: Progress
) -> tuple[tuple[Seen, ...], dict[int, ReadingState], set[int], dict[int, Reason]]:
    """From the visit lived through again: the findings in the order they came, the state of every reading, the
    turns that passed the cap, and why those were refused that were.
    """
    past: list[Seen] = []
    over_cap: set[int] = set()
    refused: dict[int, Reason] = {}
    states: dict[int, ReadingState] = {}
    last: dict[tuple[object, ...], Seen] = {}
    first: dict[tuple[object, ...], Finding] = {}
    for row in situation.rows:
        if row.event.event == "turn" and row.event.screw and row.event.turns_cw:
            verdict = permit(Case(replay.before(row)), row.event.screw, row.event.turns_cw)
            refused |= {} if verdict.allowed else {row.number: verdict.why[0]}
        then = replay.after(row)
        findings = {_same(finding): finding for finding in advise_case(Case(then)).findings}
        if row.event.event == "turn" and any(finding.code == "large-turn" for finding in findings.values()):
            over_cap.add(row.number)
        for key, finding in findings.items():
            if key not in last:
                first[key] = finding
            last[key] = replace(last.get(key, Seen(finding, row.number, row.event.time, None)), finding=finding)
        co_stands = {finding.firing for finding in findings.values() if stops_for_co(finding)}
        for key, seen in [*last.items()]:
            if key not in findings and not (stops_for_co(seen.finding) and seen.finding.firing in co_stands):
                over = replace(last.pop(key), finding=first[key], cleared=row.event.time, told=(row,))
                past += [over] if _is_remembered(over.finding, co_stands) else []
        for settled in then.tracker.settled:
            states[settled.number] = SETTLED
        for outlier in then.tracker.outliers:
            states[outlier.number] = DOUBTED
    for row in situation.of("reading"):
        on_the_way = row.event in situation.tracker.rising or usable(situation.setup, row.event)
        states.setdefault(row.number, ON_THE_WAY if on_the_way else DOUBTED)
    halts = [_with_told(seen, situation) for seen in (*past, *last.values()) if seen.finding.severity == "halt"]
    halts += [Seen(wrong_finding(w), w.row.number, w.row.event.time, None) for w in _wrong(situation, progress)]
    halts += [_struck(situation.setup, struck) for struck in co_struck(situation)]
    warned = [seen for seen in (*past, *last.values()) if seen.finding.severity == "warn"]
    noted = [seen for seen in last.values() if seen.finding.severity == "note"]
    in_order = (sorted(some, key=lambda seen: (seen.time, seen.row)) for some in (halts, warned))
    return (*itertools.chain(*in_order), *noted), states, over_cap, refused


def _is_remembered(finding: Finding, co_stands: Container[str | None]) -> bool:
    """Whether a stop or a warning is told once it is over: no warning of a check to come, or of CO that stopped it."""
    if finding.severity == "halt":
        return True
    became_stop = finding.code in OF_CO and finding.firing in co_stands
    return finding.severity == "warn" and not became_stop and finding.code not in ("pressure-unknown", "sample-line")


def _with_told(seen: Seen, situation: Situation) -> Seen:
    """A stop with the rows that say what was found or mended while it stood."""
    until = seen.told[0].number if seen.told else situation.rows[-1].number
    said = [
        row for row in situation.rows if seen.row < row.number < until + (not seen.told) and _says_a_cause(row.event)
    ]
    return replace(seen, told=(*said, *seen.told))


def _says_a_cause(event: Event) -> bool:
    return event.item == CO_CAUSE or bool(event.event == "firing" and event.rate and event.note)


def _struck(setup: JobSetup, struck: Struck) -> Seen:
    """What a reading of CO said that was struck."""
    row, event = struck.row, struck.row.event
    said = [finding for finding in judge(setup, event, when="before") if finding.code in OF_CO]
    finding = said[0] if said and event.rate else Finding("co-no-flame", "halt", data={"co": event.co_ppm})
    return Seen(finding, row.number, event.time, struck.by.event.time, struck.by.event.note)


def _wrong(situation: Situation, progress: Progress) -> list[Wrong]:
    """The wrong answers that stand, each once, but for those that are findings of the advice itself."""
    wrong = {answer.row.number: answer for state in progress.states for answer in state.wrong}
    found = {*situation.setup.pressures, SAMPLE_LINE, *STOPPING_ITEMS}
    return [answer for answer in wrong.values() if answer.row.event.item not in found]


def _same(finding: Finding) -> tuple[object, ...]:
    """What makes two findings one and the same while the numbers in them change."""
    return finding.code, finding.severity, finding.firing, finding.screw, finding.data.get("item")


def _changes(rows: Iterable[Row], running: Mapping[int, Firing | None]) -> tuple[tuple[datetime, Firing | None], ...]:
    changes: list[tuple[datetime, Firing | None]] = []
    for row in rows:
        firing = running[row.number]
        if firing != (changes[-1][1] if changes else None):
            changes.append((row.event.time, firing))
    return tuple(changes)


def _turn(row: Row, firing: Firing | None, *, over_cap: bool, refused: Reason | None) -> Turn:
    event = row.event
    assert event.screw is not None
    return Turn(row.number, event.time, event.screw, event.turns_cw or 0.0, firing, over_cap, refused, event.note)


def _pressure(situation: Situation, name: str) -> Supply:
    """A gas pressure; one without a range of the data plate in the unit it was read in."""
    last, stated = situation.checks(name)[-1:], situation.setup.pressures.get(name)
    unit = stated[2] if stated else last[0].event.unit
    plate = stated[:2] if stated else None
    for row in last:
        with suppress(RangeError):  # one that can't be read is a finding
            typed = parsing.parse_number(row.event.value, name)
            value = pressure_in_plate_unit(situation.setup, row.event) if stated else typed
            return Supply(name, unit, plate, value, row.event.time, _typed(row.event, unit))
    return Supply(name, unit, plate)


def _input(situation: Situation, running: Mapping[int, Firing | None]) -> list[Supply]:
    """Measured input, the latest at each rate; the data plate's is that at high fire."""
    found = {}
    for row in situation.checks(INPUT_RATE):
        firing, event = running[row.number], row.event
        if firing:
            with suppress(RangeError):
                low, high, unit = situation.setup.input_rate or (0.0, 0.0, "kW")
                plate = (low, high) if situation.setup.input_rate and firing == "high" else None
                value_kw = input_kw(parsing.parse_number(event.value, event.item), event.unit)
                value, typed = value_kw / units.power_kw(1.0, unit), _typed(event, unit)
                found[firing] = Supply(f"input at {firing} fire", unit, plate, value, event.time, typed)
    return list(found.values())


def _typed(event: Event, unit: str) -> str:
    return f"{event.value} {event.unit}" if event.unit not in ("", unit) else ""


# ---- what is missing, what the screws did


def _missing(
    case: Case, advice: Advice, rates: Mapping[Firing, FiringRecord], progress: Progress
) -> tuple[Reason | Finding, ...]:
    """What keeps the job from being finished; empty where nothing does."""
    missing: list[Reason | Finding] = list(advice.stops)
    for firing, rate in rates.items():
        if rate.left_note:
            missing.append(Reason("no-as-left", {"firing": firing, "why": rate.left_note.text}))
        elif not case.setting(firing).holds:
            chance = case.setting(firing).now.chance_in_band
            missing.append(Reason("not-surely-in-band", {"firing": firing, "chance": chance}))
    if advice.action != "finish":
        missing = missing or list(advice.why)
    missing += [wrong_finding(wrong) for wrong in _wrong(case.situation, progress)]
    for state in progress.states:
        to_come = state.stage is RECORD and state.state == "open"  # the sheet is made in this stage
        if not (state.over or state.stage.sets or to_come or state.why in missing):
            missing += _not_done(case.situation, state)
    for stage in skipped_unproved(case.situation):
        items = ", ".join(unanswered(case.situation, stage))
        missing.append(Reason("stage-skipped", {"stage": stage.name, "items": items}))
    return tuple(missing or [Reason("never-proved", {"item": item}) for item in open_items(case)])


def _name(missing: Reason | Finding) -> str:
    """A missing thing by its name: an item, a stage, a rate, or what was found."""
    data = missing.data
    if isinstance(missing, Finding):
        return str(data.get("item") or short_text(missing.code))
    return str(
        data.get("items") or data.get("open") or data.get("item") or data.get("stage") or f"{data.get('firing')} fire"
    )


def _asked_for(step: Step) -> list[str]:
    return [step.question.item] if step.question and not step.question.optional else []


def _not_done(situation: Situation, state: StageState) -> list[Reason]:
    """What a stage still lacks; nothing where only what may be left out has no answer."""
    about, step = {"stage": state.stage.name}, state.step
    if state.why:
        return [Reason("stage-blocked", {**about, "why": state.why.text})]
    assert step is not None  # a stage that is not over asks for something
    lacks = list(dict.fromkeys([*unanswered(situation, state.stage), *_asked_for(step)]))
    if step.question or lacks:
        return [Reason("stage-no-answer", {**about, "item": ", ".join(lacks), "open": lacks[0]})] if lacks else []
    return [Reason("stage-no-reading", {**about, "firing": step.firing or "high"})]


def _steps(situation: Situation, firing: Firing) -> tuple[tuple[float, float], ...]:
    """What the display showed of a screw: (net turn, CO2 change) from one settled reading to the next."""
    settled = {row.number for row in situation.tracker.settled}
    steps, before, net, alone = [], None, 0.0, True
    for row in situation.rows:
        event = row.event
        if event.event == "turn":
            net += event.turns_cw or 0.0 if event.screw == SCREW_FOR[firing] else 0.0
            alone = alone and event.screw == SCREW_FOR[firing]
        elif event.event == "reading" and event.firing == firing and row.number in settled:
            if before is not None and net and alone:
                steps.append((net, (event.co2_pct or 0.0) - before))
            before, net, alone = event.co2_pct or 0.0, 0.0, True
    return tuple(steps)
