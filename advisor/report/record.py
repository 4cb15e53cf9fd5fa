"""The record of one job: as found and as left at both rates, every turn, what was wrong, what is missing.

A pure function of the log: the same rows give the same record whenever and wherever it is made. A figure that
was not read is said to be missing, never worked out from others.
"""

import re
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime

from advisor import units
from advisor.chemistry.flue_gas import calibration_age_days
from advisor.decision.advise import Advice, advise
from advisor.decision.candidates import Rate, percent
from advisor.diagnosis import measured
from advisor.diagnosis.findings import STOPPING
from advisor.diagnosis.way_back import way_back
from advisor.errors import RangeError
from advisor.job import Job, Response
from advisor.job_setup.setup import Facts
from advisor.log.events import FIRINGS, SCREWS, Event
from advisor.procedure import progress, stages
from advisor.procedure.answers import Wrong
from advisor.procedure.progress import Progress, StageState, open_items
from advisor.report.flue import DOUBTED, ON_THE_WAY, SETTLED, RateRecord, rate_record
from advisor.response.model import SCREW_FOR
from advisor.response.reading_checks import Finding, usable
from advisor.response.situation import Visit
from advisor.response.tracker import SAMPLE_LINE, Row, checked_pressure

PLACED = (stages.INPUT_RATE, stages.PLATE_INPUT, stages.PLATE_PRESSURE, stages.FLUE_C, stages.AIR_C, "site", "analyser",
          stages.CALIBRATED, stages.OUTCOME, stages.SERIAL, "technician")  # fmt: skip
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
    firing: str
    co2_pct: float
    state: str


@dataclass(frozen=True)
class Turn:
    """A turn that was made, clockwise positive, at the rate that ran; `over_cap` where it passed the cap."""

    row: int
    time: datetime
    screw: str
    turns_cw: float
    firing: str | None
    over_cap: bool
    note: str


@dataclass(frozen=True)
class Seen:
    """A finding, the row after which it first stood, and when it was cleared (None: it still stands).

    finding   in its latest words while it stands; in those of its row once it was cleared
    """

    finding: Finding
    row: int
    time: datetime
    cleared: datetime | None

    @property
    def headline(self) -> str:
        """Its first sentence: what was seen, without what to do; what was cleared "was" so."""
        seen = self.finding.text.split(". ")[0].rstrip(".") + "."
        return seen.replace(" is ", " was ", 1) if self.cleared else seen


@dataclass(frozen=True)
class Record:
    """The record of one job as of its last row.

    finished   whether both rates hold and every stage is over; `missing` says what is not, in sentences
    supply     gas pressures and input against the data plate
    changes    (time, firing) of every change of firing rate
    net_turns_cw  by screw, from as found, clockwise positive
    steps      by screw: (net turn, CO2 change) between settled readings with only that screw turned between
    seen       halts in the order they came, then what else stands now
    skipped    (stage, reason)
    drop       the drop from standing to working pressure in a sentence; "" where one was not measured
    calibrated, calibration_age_days  of the analyser; None where not told
    way_back   how to put the turned screws back as found, in sentences
    told       the latest answer to each check with its unit, by its item
    checks, remarks, struck  rows: checks that have no place above, what has a note, what was voided
    """

    facts: Facts
    began: datetime | None
    ended: datetime | None
    n_rows: int
    finished: bool
    missing: tuple[str, ...]
    rates: Mapping[str, RateRecord]
    supply: tuple[Supply, ...]
    readings: tuple[Reading, ...]
    changes: tuple[tuple[datetime, str], ...]
    turns: tuple[Turn, ...]
    net_turns_cw: Mapping[str, float]
    responses: Mapping[str, Response]
    steps: Mapping[str, tuple[tuple[float, float], ...]]
    seen: tuple[Seen, ...]
    skipped: tuple[tuple[str, str], ...]
    drop: str
    calibrated: date | None
    calibration_age_days: int | None
    way_back: tuple[str, ...]
    told: Mapping[str, str]
    checks: tuple[Row, ...]
    remarks: tuple[Row, ...]
    struck: tuple[Row, ...]
    warnings: tuple[str, ...]

    def clock(self, moment: datetime, *, seconds: bool = False) -> str:
        """The time of day, with the month and day where the visit took more than one."""
        one_day = self.began is None or self.ended is None or self.began.date() == self.ended.date()
        return f"{moment:{'%H:%M:%S' if seconds and one_day else '%H:%M' if one_day else '%m-%d %H:%M'}}"

    def read_since_turned(self, screw: str) -> bool:
        """Whether a settled reading at its own rate has shown anything of what this screw does."""
        turned = [turn.time for turn in self.turns if turn.screw == screw]
        shown = [r.time for r in self.readings if r.state == SETTLED and SCREW_FOR[r.firing] == screw]
        return bool(turned and shown) and max(shown) > min(turned)


def record_of(job: Job) -> Record:
    """The record of a job as of its last row."""
    known = max((event.time for event in job.events), default=NEVER)
    visit = job.visit(known)
    if visit.rows:  # a row that was struck later is struck, but the visit did not go on until then
        visit = replace(visit, at=visit.rows[-1].event.time)
    advice = advise(visit)
    steps = progress.follow(visit, advice)
    seen, states = _replayed(job, visit, steps)
    running = _running(visit.rows)
    turns = tuple(_turn(visit.facts, row, running[row.number]) for row in visit.of("turn"))
    rates = {firing: rate_record(visit, firing, states, running) for firing in FIRINGS}
    standing = {row.number for row in visit.rows}
    checks = visit.of("check")
    missing = _missing(visit, advice, rates, steps)
    told = {row.event.item: f"{row.event.value} {row.event.unit}".strip() for row in checks}
    calibrated = _day(told.get(stages.CALIBRATED, ""))
    placed = {*visit.facts.pressures, *PLACED}
    return Record(
        facts=visit.facts,
        began=visit.rows[0].event.time if visit.rows else None,
        ended=visit.rows[-1].event.time if visit.rows else None,
        n_rows=len(job.events),
        finished=not missing,
        missing=missing,
        rates=rates,
        supply=(*(_pressure(visit, name) for name in visit.facts.pressures), *_input(visit, running)),
        readings=tuple(
            Reading(row.number, row.event.time, row.event.firing or "", row.event.co2_pct or 0.0, states[row.number])
            for row in visit.of("reading")
        ),
        changes=_changes(visit.rows, running),
        turns=turns,
        net_turns_cw={screw: sum(turn.turns_cw for turn in turns if turn.screw == screw) for screw in SCREWS},
        responses={screw: job.response(screw, at=known) for screw in SCREWS},
        steps={SCREW_FOR[firing]: _steps(visit, firing) for firing in FIRINGS},
        seen=seen,
        skipped=_skipped(visit, steps),
        drop=measured.say_drop(visit),
        calibrated=calibrated,
        calibration_age_days=calibration_age_days(calibrated, visit.at.date()) if calibrated else None,
        way_back=tuple(back.say() for back in way_back(visit)),
        told=told,
        checks=tuple(row for row in checks if row.event.item not in placed),
        remarks=tuple(row for row in visit.rows if row.event.note and not _told_elsewhere(row.event)),
        struck=tuple(
            Row(number, event)
            for number, event in enumerate(job.events, 1)
            if number not in standing and event.event != "void"
        ),
        warnings=job.warnings,
    )


def _day(words: str) -> date | None:
    with suppress(ValueError):
        return date.fromisoformat(words)
    return None


def _told_elsewhere(event: Event) -> bool:
    return event.event in ("turn", "check") or event.item == stages.SKIPPED


def _skipped(visit: Visit, steps: Progress) -> tuple[tuple[str, str], ...]:
    """Stages that were skipped and not done after all, each with its last reason."""
    done = {state.stage.name for state in steps.states if state.state != "skipped"}
    notes = [row.event for row in visit.of("note") if row.event.item == stages.SKIPPED]
    return tuple({event.value: event.note for event in notes if event.value not in done}.items())


def _replayed(job: Job, visit: Visit, steps: Progress) -> tuple[tuple[Seen, ...], dict[int, str]]:
    """The findings in the order they came, and the state of every reading, from the visit lived through again."""
    past: list[Seen] = []
    states: dict[int, str] = {}
    last: dict[str, Seen] = {}
    first: dict[str, Finding] = {}
    for row in visit.rows:
        then = job.visit(row.event.time)
        findings = {_same(finding): finding for finding in advise(then).findings}
        for key, finding in findings.items():
            if key not in last:
                first[key] = finding
            last[key] = replace(last.get(key, Seen(finding, row.number, row.event.time, None)), finding=finding)
        for key in [key for key in last if key not in findings]:
            past.append(replace(last.pop(key), finding=first[key], cleared=row.event.time))
        for settled in then.history.settled:
            states[settled.number] = SETTLED
        for suspect in then.history.suspects:
            states[suspect.number] = DOUBTED
    for row in visit.of("reading"):
        on_the_way = row.event in visit.history.rising or usable(visit.facts, row.event)
        states.setdefault(row.number, ON_THE_WAY if on_the_way else DOUBTED)
    halts = [seen for seen in (*past, *last.values()) if seen.finding.severity == "halt"]
    for row, why, _ in _wrong(visit, steps):
        halts.append(Seen(Finding("wrong-answer", "halt", why), row.number, row.event.time, None))
    rest = [seen for severity in ("warn", "note") for seen in last.values() if seen.finding.severity == severity]
    return (*sorted(halts, key=lambda seen: (seen.time, seen.row)), *rest), states


def _wrong(visit: Visit, steps: Progress) -> list[Wrong]:
    """The wrong answers that stand, each once, but for those that are findings of the advice itself."""
    wrong = {answer.row.number: answer for state in steps.states for answer in state.wrong}
    found = {*visit.facts.pressures, SAMPLE_LINE, *STOPPING}
    return [answer for answer in wrong.values() if answer.row.event.item not in found]


def _same(finding: Finding) -> str:
    """What makes two findings one and the same while the figures in them change."""
    return finding.code + re.sub(r"\d[\d./]*", "", finding.text)


def _running(rows: Iterable[Row]) -> dict[int, str | None]:
    """The firing rate that ran at each row, by row number."""
    running, firing = {}, None
    for row in rows:
        firing = row.event.firing or firing
        running[row.number] = firing
    return running


def _changes(rows: Iterable[Row], running: Mapping[int, str | None]) -> tuple[tuple[datetime, str], ...]:
    changes: list[tuple[datetime, str]] = []
    for row in rows:
        firing = running[row.number]
        if firing and (not changes or changes[-1][1] != firing):
            changes.append((row.event.time, firing))
    return tuple(changes)


def _turn(facts: Facts, row: Row, firing: str | None) -> Turn:
    event = row.event
    screw, turns_cw = event.screw or "", event.turns_cw or 0.0
    over_cap = abs(turns_cw) > facts.cap_turns[screw] * (1 + 1e-9)
    return Turn(row.number, event.time, screw, turns_cw, firing, over_cap, event.note)


def _pressure(visit: Visit, name: str) -> Supply:
    low, high, unit = visit.facts.pressures[name]
    for row in reversed(visit.of("check")):
        if row.event.item == name:
            with suppress(RangeError):  # one that can't be read is a finding
                value = checked_pressure(visit.facts, row.event)
                return Supply(name, unit, (low, high), value, row.event.time, _typed(row.event, unit))
            break
    return Supply(name, unit, (low, high))


def _input(visit: Visit, running: Mapping[int, str | None]) -> list[Supply]:
    """Measured input, the latest at each rate; the data plate's is that at high fire."""
    found = {}
    for row in visit.of("check"):
        firing, event = running[row.number], row.event
        if event.item == stages.INPUT_RATE and firing:
            with suppress(RangeError):
                low, high, unit = visit.facts.input_rate or (0.0, 0.0, "kW")
                plate = (low, high) if visit.facts.input_rate and firing == "high" else None
                value_kw = measured.input_kw(units.parse_number(event.value, event.item), event.unit)
                value = value_kw / units.power_kw(1.0, unit)
                typed = _typed(event, unit)
                found[firing] = Supply(f"input at {firing} fire", unit, plate, value, event.time, typed)
    return list(found.values())


def _typed(event: Event, unit: str) -> str:
    return f"{event.value} {event.unit}" if event.unit not in ("", unit) else ""


# ---- what is missing, what the screws did


def _missing(visit: Visit, advice: Advice, rates: Mapping[str, RateRecord], steps: Progress) -> tuple[str, ...]:
    """What keeps the job from being finished, in sentences; empty where nothing does."""
    missing = [seen.text for seen in advice.findings if seen.severity == "halt"]
    for firing, rate in rates.items():
        if rate.left_note:
            missing.append(f"{firing.capitalize()} fire: no as-left figures, {rate.left_note}.")
        elif not Rate(visit, firing).holds:
            chance = percent(Rate(visit, firing).now.chance_in_band)
            missing.append(f"{firing.capitalize()} fire is not surely in its band: chance {chance}.")
    if advice.action != "finish":
        missing = missing or list(advice.reasons)
    missing += [answer.why for answer in _wrong(visit, steps)]
    for state in steps.states:
        to_come = state.stage is stages.RECORD and state.state == "open"  # the sheet is made in this stage
        if not (state.over or state.stage.sets or to_come or state.reason in missing):
            missing.append(
                f"Stage '{state.stage.name}' is not done: {state.reason or _asks(state)}.".replace("..", ".")
            )
    missing = missing or [f"Never proved: {item}." for item in open_items(visit)]
    return tuple(dict.fromkeys(missing))


def _asks(state: StageState) -> str:
    step = state.step
    if step is None or step.question is None:
        return f"a reading with CO at {step.firing} fire" if step and step.firing else state.stage.does
    return f"'{step.question.item}' has no answer"


def _steps(visit: Visit, firing: str) -> tuple[tuple[float, float], ...]:
    """What the display showed of a screw: (net turn, CO2 change) from one settled reading to the next."""
    settled = {row.number for row in visit.history.settled}
    steps, before, net, alone = [], None, 0.0, True
    for row in visit.rows:
        event = row.event
        if event.event == "turn":
            net += event.turns_cw or 0.0 if event.screw == SCREW_FOR[firing] else 0.0
            alone = alone and event.screw == SCREW_FOR[firing]
        elif event.event == "reading" and event.firing == firing and row.number in settled:
            if before is not None and net and alone:
                steps.append((net, (event.co2_pct or 0.0) - before))
            before, net, alone = event.co2_pct or 0.0, 0.0, True
    return tuple(steps)
