"""What is wrong, as far as the data of one job can tell. Each finding has one function; `find` runs them all."""

import itertools

from advisor import units
from advisor.diagnosis import measured
from advisor.diagnosis.carbon_monoxide import co_by_itself, co_standing
from advisor.errors import RangeError
from advisor.job_setup.setup import Facts
from advisor.log.events import FIRINGS, SCREWS, Event
from advisor.procedure.answers import measured_s, wrong_answers
from advisor.procedure.stages import (
    BEFORE,
    CLOSE,
    PRESSURE,
    PRESSURE_DROP,
    SKIPPED,
    STANDING,
    TEST_POINTS,
    VALVE,
    WORKING,
    Stage,
)
from advisor.response import reading_checks as readings
from advisor.response.model import FIRING_FOR
from advisor.response.reading_checks import Finding
from advisor.response.situation import SURE_OF_WAY, Visit
from advisor.response.tracker import SAMPLE_LINE, checked_pressure, clockwise_item

SURE = 0.8  # chance from which a fault of a screw is stated
SURE_OF_DEAD = 0.9  # and that it does nothing: a weak valve behind slack looks like that
SHOWN = 0.95  # from which a screw's way, told by nobody, is no guess: the answer's 90 % range has one sign then
DOUBTED_WAY, DOUBTED_EFFECT = 0.3, 0.1  # chances from which that is hinted at
WORTH_TELLING_SLACK_TURNS = 1 / 64
FEWEST_MOVES_FOR_DEAD = 2
UNLIKELY = 1e-3  # chance of so little CO2 after a turn under which the line must be proved before the job is done
DRIFT_PCT = 0.3  # more than rounding and flame noise can do
DRIFT_SPAN_S = 120.0
STEADY_PCT = 0.1
# questions whose wrong answer stops the work, by item: not what is only due at the end, nor what has its own finding
STOPPING = {
    question.item
    for stage in (BEFORE, VALVE, PRESSURE, CLOSE)
    for question in stage.questions
    if (stage is not CLOSE or question.item == TEST_POINTS) and question.item not in (SAMPLE_LINE, STANDING, WORKING)
}


def find(visit: Visit) -> tuple[Finding, ...]:
    """All findings of the job as it stands, the gravest first."""
    found = [
        *_readings(visit),
        *_answers(visit),
        *_sample_line(visit),
        *_last_turn(visit),
        *_pressures(visit),
        *_input_rate(visit),
        *_moved_by_itself(visit),
        *_fell(visit),
        *_drift(visit),
        *(finding for firing in FIRINGS for finding in co_by_itself(visit, firing)),
        *(finding for screw in SCREWS for finding in _screw(visit, screw)),
        *_read_too_soon(visit),
        *_not_seen(visit),
        *_accuracy(visit),
    ]
    order = {"halt": 0, "warn": 1, "note": 2}
    return tuple(sorted(found, key=lambda finding: order[finding.severity]))


def _readings(visit: Visit) -> list[Finding]:
    """What single readings say, each by the latest that can say it: only a reading with CO clears a finding of CO."""
    found: dict[str, Finding] = {}
    latest = [visit.latest(), visit.latest(having="o2_pct")]
    for reading in latest:
        if reading is not None:
            seen = readings.judge(visit.facts, reading, rising=reading in visit.history.rising)
            found |= {finding.code: finding for finding in seen}
    for code in ("high-co", "co-rising"):
        found.pop(code, None)
    for firing in FIRINGS:
        for finding in co_standing(visit, firing):
            found[f"{finding.code} {firing}"] = finding
    unique = dict.fromkeys(found.values())
    rich = [finding for finding in unique if finding.code == "rich"]
    return rich or list(unique)


def _pressures(visit: Visit) -> list[Finding]:
    """Gas pressures outside the data plate's range, each by its latest check."""
    found = []
    for name, (low, high, unit) in visit.facts.pressures.items():
        checks = [row.event for row in visit.of("check") if row.event.item == name]
        if not checks:
            skipped = [row.event.note for row in visit.of("note") if _skips(row.event, PRESSURE)]
            if skipped:
                text = f"The {name} was not checked ({skipped[-1]}): the combustion figures rest on a guess."
                found.append(Finding("pressure-skipped", "warn", text))
            elif visit.of("reading"):
                text = f"The {name} has not been checked yet: combustion is not set on a pressure nobody knows."
                found.append(Finding("pressure-unknown", "warn", text))
            continue
        try:
            value = checked_pressure(visit.facts, checks[-1])
        except RangeError as error:
            text = f"The {name} in the log can't be read: {error}. Void that row and log it again."
            found.append(Finding("pressure", "halt", text))
            continue
        if not low <= value <= high:
            found.append(
                Finding(
                    "pressure",
                    "halt",
                    f"The {name} is {value:.4g} {unit}; the data plate allows {low:g} to {high:g}. "
                    f"Put the gas supply right first: the valve is not the fault.{_meant(visit.facts, checks[-1])}",
                )
            )
    return found


def _meant(facts: Facts, check: Event) -> str:
    """Which slip would explain a pressure outside its range: the point left out, or the other usual unit."""
    low, high, unit = facts.pressures[check.item]
    typed = units.parse_number(check.value, check.item)
    slips = [(typed / 10, check.unit), *((typed, other) for other in ("mbar", "inH2O") if other != check.unit)]
    for value, meant in slips:
        if low <= units.convert_pressure(value, meant, unit) <= high:
            return f" Or was {value:g} {meant} meant? Then void that row and log it again."
    return ""


def _input_rate(visit: Visit) -> list[Finding]:
    """An input rate timed at high fire outside the data plate's range."""
    if measured.input_rate_side(visit) in ("below", "above"):
        return [Finding("input-rate", "warn", measured.say_input_rate(visit))]
    return []


def _skips(event: Event, stage: Stage) -> bool:
    return event.item == SKIPPED and event.value == stage.name


def _sample_line(visit: Visit) -> list[Finding]:
    """A sample line logged as leaking stops the job until it is logged as tight."""
    if visit.history.leaking:
        text = (
            f'The sample line leaks: a rich flame looks lean. Mend it, log check "{SAMPLE_LINE}" tight, then read '
            "again: what was read since the last turn or change of rate no longer counts."
        )
        return [Finding("sample-line-leak", "halt", text)]
    if visit.of("reading") and not any(row.event.item == SAMPLE_LINE for row in visit.of("check")):
        text = (
            f'A leak in the sample line does not show in the readings: prove it tight, log check "{SAMPLE_LINE}" tight.'
        )
        return [Finding("sample-line", "note", text)]
    return []


def _answers(visit: Visit) -> list[Finding]:
    """A check that does not let the work go on, each by its latest answer, until it is answered right.

    A gas joint found leaking, no CO alarm, an analyser off zero: whoever logged it is not told to light or to turn.
    """
    found = []
    for item, answer in wrong_answers(visit).items():
        if item not in STOPPING or answer.unreadable:
            continue  # what a hand-edited log holds in an answer's place says nothing
        if item == PRESSURE_DROP and any(at_s > answer.row.event.time.timestamp() for at_s in measured_s(visit)):
            continue  # measured again since
        found.append(Finding("not-ready", "halt", f'{answer.why} Then log check "{item}" again.'))
    return found


def _last_turn(visit: Visit) -> list[Finding]:
    """What was odd about the last turn, until a settled reading has shown what it did."""
    turns = visit.of("turn")
    if not turns:
        return []
    number, event = turns[-1].number, turns[-1].event
    screw, size = event.screw or "", abs(event.turns_cw or 0.0)
    cap = visit.facts.cap_turns[screw]
    found = []
    if size > cap * (1 + 1e-9) and not visit.settled_readings(FIRING_FOR[screw], event.time.timestamp()):
        found.append(
            Finding(
                "large-turn",
                "warn",
                f"Row {number} is {units.say_fraction(size)} turn, the cap is {units.say_fraction(cap)}. If it was "
                f"made, watch CO as it comes; if it is a slip of the pen, void {number}.",
                screw=screw,
            )
        )
    if event.time.timestamp() == visit.changed_at_s and visit.firing != FIRING_FOR[screw]:
        text = f"The {screw} screw was turned at {visit.firing} fire; it is set and read at {FIRING_FOR[screw]} fire."
        found.append(Finding("wrong-rate", "warn", text, screw=screw))
    return found


def _moved_by_itself(visit: Visit) -> list[Finding]:
    """A step with no turn made: air entering the sample, or the boiler itself has changed."""
    suspects = visit.history.suspects
    if not suspects or visit.unsure is not None:
        return []
    first = suspects[0]
    event = next(row.event for row in visit.rows if row.number == first.number)
    seen = visit.say_step(first)
    way_out = (
        f'Then read again. If the line was loose, log check "{SAMPLE_LINE}" leaking, then tight; if not, log check '
        f'"{SAMPLE_LINE}" tight.'
    )
    if first.co2_pct < first.expected_co2_pct:
        rises = " and O2 went up" if event.o2_pct is not None else ""
        return [
            Finding(
                "air-in-sample",
                "halt",
                f"{seen}{rises}. Air in the sample makes a rich flame look lean: check probe, hose and water trap, "
                f"then the gas pressure. {way_out}",
                event.firing,
            )
        ]
    return [
        Finding(
            "changed-by-itself",
            "halt",
            f"{seen}. Something other than the screws changed: look at air intake, filter, flue and gas pressure. "
            f"{way_out}",
            event.firing,
        )
    ]


def _fell(visit: Visit) -> list[Finding]:
    """CO2 that came out leaner than the turn before it explains: the sample line first, then pressure and turn."""
    history = visit.history
    if history.leaking or not history.fallen:
        return []
    last = history.fallen[-1]
    came = (
        f"After the last turns {last.expected_co2_pct:.1f} % CO2 was to be expected at {last.firing} fire, "
        f"{last.co2_pct:.1f} came (row {last.number})"
    )
    if falls := history.open_falls:
        text = (
            f"{came}. Air in the sample looks like that, and hides a rich flame: prove the line tight again, log check "
            f'"{SAMPLE_LINE}" tight, and read again.'
        )
        if min(fall.chance for fall in falls) < UNLIKELY:
            return [Finding("fell", "warn", text, last.firing)]
        return [Finding("fell-short", "warn", text, last.firing)]
    pressures = [row.event for row in visit.of("check") if row.event.item in visit.facts.pressures]
    looked_at = any(check.time.timestamp() > last.at_s for check in pressures)
    if not last.line_proved or last.at_s < visit.fresh_from_s or looked_at:
        return []
    number = [row.number for row in visit.of("turn") if row.event.time.timestamp() < last.at_s][-1]
    text = f"{came}, with the line tight: check the gas pressure. Was the turn made as logged? If not, void {number}."
    return [Finding("fell-again", "warn", text, last.firing)]


def _drift(visit: Visit) -> list[Finding]:
    """A slow change at one rate with no turn made."""
    if visit.firing is None:
        return []
    rows = visit.settled_readings(visit.firing, visit.changed_at_s)
    points = [(row.event.time.timestamp(), row.event.co2_pct or 0.0) for row in rows]
    if len(points) < 3 or points[-1][0] - points[0][0] < DRIFT_SPAN_S:
        return []
    shown = [co2 for _, co2 in points]
    steps = [b - a for a, b in itertools.pairwise(shown)]
    one_way = all(step >= 0 for step in steps) or all(step <= 0 for step in steps)
    if not one_way or abs(shown[-1] - shown[0]) < DRIFT_PCT or max(shown[-3:]) - min(shown[-3:]) <= STEADY_PCT:
        return []
    minutes = (points[-1][0] - points[0][0]) / 60
    return [
        Finding(
            "drift",
            "halt",
            f"CO2 crept from {shown[0]:.1f} to {shown[-1]:.1f} % in {minutes:.0f} min with no turn made. Look at "
            "filter, air intake, flue and gas pressure; go on when three readings in a row agree.",
            visit.firing,
        )
    ]


def _screw(visit: Visit, screw: str) -> list[Finding]:
    turns = visit.turns_of(screw)
    if not turns or not visit.belief.states:
        return []
    hypotheses, chance = visit.belief.model.screws[screw], visit.belief.chances(screw)
    found = []
    told = visit.facts.clockwise[screw]
    reversed_chance = float(chance[hypotheses.gain < 0].sum())
    if reversed_chance > (SURE if told == "unknown" else SURE_OF_WAY):
        if told == "unknown":
            makes = "makes" if reversed_chance >= SHOWN else "seems to make"
            text = f"On this valve the {screw} screw {makes} it leaner when turned clockwise."
            found.append(Finding("direction", "note", text, screw=screw))
        else:
            other = "leaner" if told == "richer" else "richer"
            last = [row.number for row in visit.of("turn") if row.event.screw == screw][-1]
            doubt = "; or the turn was logged the wrong way"
            proved = visit.history.line_proved_s > turns[-1].time.timestamp()
            if (turns[-1].turns_cw or 0.0) * visit.belief.model.toward_richer[screw] > 0 and not proved:  # CO2 fell
                doubt += f', or air enters the sample: prove the line, log check "{SAMPLE_LINE}" tight or leaking'
            found.append(
                Finding(
                    "wrong-way",
                    "halt",
                    f"The {screw} screw works the other way: clockwise makes it {other}{doubt}. Look at the screw, "
                    f'then log check "{clockwise_item(screw)}" {other}, or void {last} and log that turn as it was '
                    "made.",
                    screw=screw,
                )
            )
    elif reversed_chance > DOUBTED_WAY and told != "unknown":
        text = (
            f"The {screw} screw may work the other way: CO2 seems to go against its turns. Was the turn logged right?"
        )
        found.append(Finding("wrong-way", "warn", text, screw=screw))
    read = visit.turns_read(screw)
    dead_chance = float(chance[hypotheses.dead].sum()) if read >= FEWEST_MOVES_FOR_DEAD else 0.0
    if dead_chance > SURE_OF_DEAD:
        found.append(
            Finding(
                "no-effect",
                "halt",
                f"The {screw} screw does nothing: {read} turns, no change. Is it the right screw, is a cap in "
                "the way, does the tool grip? If the turns were made, the valve is faulty: put it back as found and "
                "call the maker; if not, void them.",
                screw=screw,
            )
        )
    elif dead_chance > DOUBTED_EFFECT:
        text = f"The {screw} screw may do nothing: is it the right screw, is a cap in the way, does the tool slip?"
        found.append(Finding("no-effect", "warn", text, screw=screw))
    slack = float(chance @ hypotheses.slack)
    both_ways = len({(turn.turns_cw or 0.0) > 0 for turn in turns}) == 2
    if both_ways and float(chance[hypotheses.slack > WORTH_TELLING_SLACK_TURNS].sum()) > SURE:
        found.append(
            Finding(
                "slack",
                "note",
                f"The {screw} screw has some {units.say_fraction(max(1, round(slack * 48)) / 48)} turn of slack: after "
                "a change of direction the first part of a turn does nothing. It is counted in.",
                screw=screw,
            )
        )
    return found


def _read_too_soon(visit: Visit) -> list[Finding]:
    rows = visit.of("reading")
    last = rows[-1].event if rows else None
    rising = last in visit.history.rising
    if last is None or last.firing != visit.firing or not (rising or readings.usable(visit.facts, last)):
        return []
    after = last.time.timestamp() - visit.changed_at_s
    if rising:
        text = (
            f"The last reading came {units.say_seconds(after)} after the start, on the way up from clean air: wait and "
            "read again."
        )
        return [Finding("not-settled", "note", text, last.firing)]
    if after == 0 and not visit.belief.states[-1].known_before:
        other = "low" if last.firing == "high" else "high"
        text = f"No change to {last.firing} fire was logged: the wait counts from this reading."
        if any(row.event.firing == other for row in visit.rows):
            text += f" If the boiler still runs at {other} fire, void row {rows[-1].number}."
        return [Finding("not-settled", "warn", text, last.firing)]
    if after > 0 and last.time.timestamp() < visit.history.earliest_s - 1:
        text = f"The last reading came {units.say_seconds(after)} after the change before it: too soon to steer by."
        return [Finding("not-settled", "note", text, last.firing)]
    return []


def _accuracy(visit: Visit) -> list[Finding]:
    """A band narrower than the analyser can prove."""
    accuracy = visit.facts.analyser_accuracy_pct
    tight = [firing for firing, (low, high) in visit.facts.bands.items() if accuracy and (high - low) / 2 < accuracy]
    if not tight or not visit.of("reading"):
        return []
    text = (
        f"The analyser is good to {accuracy:g} % CO2 either way, the band at {' and '.join(tight)} fire is "
        "narrower: in band on its display is all that can be shown."
    )
    return [Finding("analyser-accuracy", "note", text)]


def _not_seen(visit: Visit) -> list[Finding]:
    """What this job's data can't show."""
    last = visit.latest()
    if last is not None and last.o2_pct is None and last.co_ppm is None:
        text = "CO2 alone can't tell a lean flame from a rich one: give O2 and CO with each reading."
        return [Finding("co2-alone", "warn", text)]
    return []
