"""What is wrong, as far as the data of one job can tell. Each finding has one function; `find` runs them all."""

import itertools
from collections.abc import Callable

from advisor import parsing, units
from advisor.diagnosis.answers import input_of, measured_s, wrong_answers
from advisor.diagnosis.carbon_monoxide import (
    CO_STOPS,
    OF_CO,
    co_by_itself,
    co_climbs,
    co_rises,
    co_standing,
    co_without_flame,
    richer_in_co,
    said_when,
    stops_for_co,
)
from advisor.errors import RangeError
from advisor.job_setup.setup import JobSetup
from advisor.log.check_items import (
    ALARM_SOUNDS,
    ALARMS,
    CHECK_ITEMS,
    CO_ALARM,
    GAS_SMELL,
    LEAKING,
    OPENED_JOINTS,
    PRESSURE_DROP,
    SAMPLE_LINE,
    SKIPPED,
    TEST_POINTS,
    WORKING,
    check_item,
)
from advisor.log.events import Event, Row, firing_at_rows
from advisor.log.site_facts import pressure_in_plate_unit
from advisor.messages import SEVERITIES, Finding, Severity
from advisor.response import reading_checks
from advisor.response.change_detection import Outlier, compare
from advisor.response.reading_checks import mostly_air
from advisor.response.situation import Situation
from advisor.screws import FIRING_FOR, FIRINGS, OFF, SCREWS, Firing, Screw, other_firing

GAS_TIGHT = (OPENED_JOINTS, TEST_POINTS)


def find(situation: Situation) -> tuple[Finding, ...]:
    """All findings of the job as it stands, the gravest first; of stops that which can't wait."""
    found = [finding for check in CHECKS for finding in check(situation)]
    return tuple(sorted(found, key=lambda finding: (-SEVERITIES.index(finding.severity), _urgency(finding))))


def _urgency(finding: Finding) -> int:
    """Place of a stop among stops: a gas leak, what puts the burner off, the room's CO alarm, the rest, CO that was."""
    item, value = finding.data.get("item"), finding.data.get("value")
    if finding.code == "not-ready" and (item == GAS_SMELL or (item in GAS_TIGHT and value == LEAKING)):
        return 0
    if finding.code in CO_STOPS:
        return 4 if finding.is_past else 1
    return 2 if item in (CO_ALARM, ALARM_SOUNDS) else 3


def of_readings(situation: Situation) -> list[Finding]:
    """What single readings say, each by the latest that can say it: only a reading with CO clears a finding of CO."""
    found: dict[str, Finding] = {}
    for row in (situation.latest(), situation.latest(having="o2_pct")):
        if row is not None and not _before_relit(situation, row):
            rising, when = row.event in situation.tracker.rising, said_when(situation, row)
            seen = reading_checks.judge(situation.setup, row.event, when=when, rising=rising)
            by_co = OF_CO if row.event.co_ppm is not None else ()  # those are said by rate
            found |= {finding.code: finding for finding in seen if finding.code not in by_co}
    for firing in FIRINGS:
        for finding in co_standing(situation, firing):
            found[f"{finding.code} {firing}"] = finding
    unique = dict.fromkeys(found.values())
    rich = [finding for finding in unique if finding.code == "rich"]
    return rich or list(unique)


def _before_relit(situation: Situation, reading: Row) -> bool:
    """Whether a reading is of clean air, and the burner is off or was started since: it says nothing of a flame."""
    relit = situation.off is not None or reading.at_s < situation.tracker.started_s
    return relit and mostly_air(situation.setup, reading.event)


def wrong_answer(situation: Situation) -> list[Finding]:
    """A check that does not let the work go on, each by its latest answer, until it is answered right.

    A gas joint found leaking, no CO alarm, an analyser off zero: whoever logged it is not told to light or to turn.
    """
    found = []
    for name, answer in wrong_answers(situation).items():
        item = check_item(name, situation.setup)
        if not (item and item.stops) or answer.problem.unreadable:
            continue  # what a hand-edited log holds in an answer's place says nothing
        if name == PRESSURE_DROP and any(at_s > answer.row.at_s for at_s in measured_s(situation)):
            continue  # measured again since
        variant = "alarm" if name in ALARMS else answer.problem.variant
        found.append(Finding("not-ready", "halt", variant=variant, data=answer.problem.data))
    return found


def sample_line(situation: Situation) -> list[Finding]:
    """A sample line logged as leaking stops the job until it is logged as tight."""
    if situation.tracker.leaking:
        return [Finding("sample-line-leak", "halt")]
    if situation.of("reading") and not situation.checks(SAMPLE_LINE):
        return [Finding("sample-line", "note")]
    return []


def last_turn(situation: Situation) -> list[Finding]:
    """What was odd about the last turn, until a settled reading has shown what it did."""
    turns = situation.of("turn")
    if not turns or turns[-1].event.screw is None:
        return []
    row, screw = turns[-1], turns[-1].event.screw
    size, cap = abs(situation.turned_since_read(screw)), situation.setup.cap_turns[screw]
    found = []
    if size > cap * (1 + 1e-9):
        once = len(situation.turns_since_read(screw)) == 1
        data = {"row": row.number, "turns": size, "cap": cap}
        found.append(Finding("large-turn", "warn", screw=screw, variant="once" if once else "in_all", data=data))
    if row.at_s == situation.changed_at_s and situation.firing not in (None, FIRING_FOR[screw]):
        ran = {"ran": situation.firing, "own": FIRING_FOR[screw]}
        found.append(Finding("wrong-rate", "warn", screw=screw, data=ran))
    return found


def gas_pressure(situation: Situation) -> list[Finding]:
    """Gas pressures outside the data plate's range, each by its latest check."""
    found = []
    for name, (low, high, unit) in situation.setup.pressures.items():
        checks = situation.checks(name)
        if not checks:
            found += _not_checked(situation, name)
            continue
        check, about = checks[-1].event, {"item": name, "row": checks[-1].number}
        try:
            value = pressure_in_plate_unit(situation.setup, check)
        except RangeError as error:
            found.append(Finding("pressure", "halt", variant="unreadable", data={**about, "why": str(error)}))
            continue
        if not low <= value <= high:
            slip = _slip(situation.setup, check)
            data = {**about, "value": value, "unit": unit, "low": low, "high": high, **slip}
            found.append(Finding("pressure", "halt", variant="outside_slip" if slip else "outside", data=data))
    return found


def _not_checked(situation: Situation, name: str) -> list[Finding]:
    skipped = [event.note for event in situation.notes(SKIPPED) if event.value == "gas pressure"]
    if skipped:
        return [Finding("pressure-skipped", "warn", data={"item": name, "why": skipped[-1]})]
    return [Finding("pressure-unknown", "warn", data={"item": name})] if situation.of("reading") else []


def _slip(setup: JobSetup, check: Event) -> dict[str, object]:
    """Which slip would explain a pressure outside its range: the point left out, or the other usual unit."""
    low, high, unit = setup.pressures[check.item]
    typed = parsing.parse_number(check.value, check.item)
    slips = [(typed / 10, check.unit), *((typed, other) for other in ("mbar", "inH2O") if other != check.unit)]
    for value, meant in slips:
        if low <= units.convert_pressure(value, meant, unit) <= high:
            return {"meant": value, "meant_unit": meant}
    return {}


def input_rate(situation: Situation) -> list[Finding]:
    """An input rate timed at high fire outside the data plate's range."""
    timed, plate = input_of(situation), situation.setup.input_rate
    if timed is None or plate is None or timed.side not in ("below", "above"):
        return []
    low, high, unit = plate
    return [
        Finding("input-rate", "warn", data={"kw": timed.kw, "side": timed.side, "low": low, "high": high, "unit": unit})
    ]


def outlier_data(situation: Situation, outlier: Outlier) -> dict[str, object]:
    """What a sentence about an outlier mentions; an offset turn meanwhile hardly moves high fire."""
    of_screw = "of the throttle screw " if outlier.firing == "high" and situation.turns_of("offset") else ""
    return {
        "expected": outlier.expected_co2_pct, "seen": outlier.co2_pct, "row": outlier.number, "of_screw": of_screw,
    }  # fmt: skip


def moved_by_itself(situation: Situation) -> list[Finding]:
    """A jump with no turn made: air entering the sample, or the boiler itself has changed."""
    outliers = situation.tracker.outliers
    if not outliers or situation.unsure_outlier is not None:
        return _pressure_due(situation)
    first, data = outliers[0], outlier_data(situation, outliers[0])
    if not first.fell:
        return [Finding("changed-by-itself", "halt", first.firing, data=data)]
    event = next(row.event for row in situation.rows if row.number == first.number)
    variant = "no_o2" if event.o2_pct is None else "o2_up"
    return [Finding("air-in-sample", "halt", first.firing, variant=variant, data=data)]


def _pressure_due(situation: Situation) -> list[Finding]:
    """CO2 fell with no turn made and the line is tight: no turn before the working pressure is read.

    A flame set on a sagging supply is rich once the supply is back.
    """
    fell = situation.tracker.fell
    if fell is None or any(at_s > fell.at_s for at_s in _working_read_s(situation)):
        return []
    severity: Severity = "halt" if WORKING in situation.setup.pressures else "warn"
    data = {"item": WORKING, **outlier_data(situation, fell)}
    return [Finding("pressure-due", severity, fell.firing, data=data)]


def _working_read_s(situation: Situation) -> list[float]:
    """When the working pressure was read where it tells something: at high fire, s since 1970."""
    running = firing_at_rows(situation.rows)
    return [row.at_s for row in situation.checks(WORKING) if running[row.number] == "high"]


def fell_short(situation: Situation) -> list[Finding]:
    """CO2 that came out leaner than the turn or change of rate before it explains: the line first, then pressure."""
    tracker = situation.tracker
    if tracker.leaking or not tracker.shortfalls:
        return []
    last = tracker.shortfalls[-1]
    data: dict[str, object] = {"expected": last.expected_co2_pct, "seen": last.co2_pct, "row": last.number}
    if short := tracker.open_shortfalls:
        early = {each.number for each in short} - tracker.proven
        if not early and min(each.chance for each in short) >= situation.policy.unlikely_shortfall_chance:
            return [Finding("fell-short", "warn", last.firing, data=data)]
        return [Finding("fell", "warn", last.firing, variant="early" if last.number in early else "settled", data=data)]
    looked_at = any(at_s > last.at_s for at_s in _working_read_s(situation))
    if not last.line_proved or last.at_s < situation.fresh_from_s or looked_at:
        return []
    data["void_row_number"] = [row.number for row in situation.of("turn") if row.at_s < last.at_s][-1]
    return [Finding("fell-again", "warn", last.firing, data=data)]


def drift(situation: Situation) -> list[Finding]:
    """A slow change at one rate with no turn made."""
    if situation.firing is None:
        return []
    policy = situation.policy
    rows = situation.settled_readings(situation.firing, situation.changed_at_s)
    shown = [row.event.co2_pct or 0.0 for row in rows]
    if len(rows) < 3 or rows[-1].at_s - rows[0].at_s < policy.drift_span_s:
        return []
    steps = [b - a for a, b in itertools.pairwise(shown)]
    one_way = all(step >= 0 for step in steps) or all(step <= 0 for step in steps)
    steady = max(shown[-3:]) - min(shown[-3:]) <= policy.steady_pct
    if not one_way or abs(shown[-1] - shown[0]) < policy.drift_pct or steady:
        return []
    data = {"first": shown[0], "last": shown[-1], "minutes": (rows[-1].at_s - rows[0].at_s) / 60}
    return [Finding("drift", "halt", situation.firing, data=data)]


def carbon_monoxide(situation: Situation) -> list[Finding]:
    """CO that rises by itself, or climbs, at either rate; CO where there is no flame."""
    rises = [
        finding
        for firing in FIRINGS
        for finding in co_rises(situation, firing)
        if not any(map(stops_for_co, co_standing(situation, firing)))
    ]
    turned = [finding for firing in FIRINGS for finding in richer_in_co(situation, firing)] if not rises else []
    found = [finding for firing in FIRINGS for finding in co_by_itself(situation, firing)]
    known = {finding.firing for finding in found}
    found += [f for firing in FIRINGS if firing not in known for f in co_climbs(situation, firing)]
    return [*co_without_flame(situation), *rises, *turned, *found]


def screws(situation: Situation) -> list[Finding]:
    """What the turns of each screw have shown of it."""
    return [finding for screw in SCREWS for finding in _screw(situation, screw)]


def _screw(situation: Situation, screw: Screw) -> list[Finding]:
    turns = situation.turns_of(screw)
    if not turns or not situation.belief.states:
        return []
    unseen = unseen_turn(situation, screw)
    data = {"row": unseen.number, "void_row_number": unseen.number} if unseen else {}
    found = [Finding("turn-unseen", "warn", screw=screw, data=data)] if unseen else []
    return [
        *_direction(situation, screw, turns),
        *_effect(situation, screw),
        *found,
        *_backlash(situation, screw, turns),
    ]


def unseen_turn(situation: Situation, screw: Screw) -> Row | None:
    """The last turn where CO2 did not move with it, though the one before it, the same way, moved CO2: was it made?"""
    turns, read = situation.turns_of(screw), situation.settled_readings(FIRING_FOR[screw])
    if len(turns) < 2 or not read or read[-1].at_s < turns[-1].at_s:
        return None
    before, between = ([row for row in read if row.at_s < turn.at_s][-1:] for turn in turns[-2:])
    made, last = (turn.event.turns_cw or 0.0 for turn in turns[-2:])
    small = abs(last) < situation.setup.mark_turns[screw] - 1e-9  # less than a mark may well not show
    if small or not before or not between or between[0].at_s < turns[-2].at_s or made * last <= 0:
        return None
    moved, now = (
        (b.event.co2_pct or 0.0) - (a.event.co2_pct or 0.0)
        for a, b in ((before[0], between[0]), (between[0], read[-1]))
    )
    half_step = situation.setup.display_step_pct / 2
    turned, policy = situation.tracker.at_change, situation.policy
    if abs(now) > half_step or abs(moved) < 2 * half_step or turned is None or situation.changed_at_s > turns[-1].at_s:
        return None
    _, forecast, apart = compare(turned, read[-1])
    short = abs(apart) - half_step  # what a display rounds away
    chance = forecast.cdf(forecast.mean - short) if apart < 0 else 1 - forecast.cdf(forecast.mean + short)
    return turns[-1] if chance < policy.unseen_turn_chance else None


def _direction(situation: Situation, screw: Screw, turns: list[Row]) -> list[Finding]:
    policy, stated = situation.policy, situation.setup.clockwise[screw]
    reversed_chance = situation.belief.reversed_chance(screw)
    if stated == "unknown":
        if reversed_chance <= policy.sure_of_unstated_way:
            return []
        variant = "sure" if reversed_chance >= policy.shown_way else "seems"
        return [Finding("direction", "note", screw=screw, variant=variant)]
    if reversed_chance > policy.sure_of_way:
        other = "leaner" if stated == "richer" else "richer"
        proved = situation.tracker.line_proved_s > turns[-1].at_s
        fell = (turns[-1].event.turns_cw or 0.0) * situation.belief.model.toward_richer[screw] > 0
        variant = "sure_or_air" if fell and not proved else "sure"
        data = {"other": other, "row": turns[-1].number, "made": turns[-1].event.turns_cw or 0.0}
        return [Finding("wrong-way", "halt", screw=screw, variant=variant, data=data)]
    if reversed_chance > policy.doubted_way:
        return [Finding("wrong-way", "warn", screw=screw, variant="doubt")]
    return []


def _effect(situation: Situation, screw: Screw) -> list[Finding]:
    if not effect_doubted(situation, screw):
        return []
    if situation.belief.dead_chance(screw) <= situation.policy.sure_of_dead:
        return [Finding("no-effect", "warn", screw=screw, variant="doubt")]
    rows = ", ".join(str(turn.number) for turn in situation.turns_of(screw))
    data = {"moves": situation.turns_read(screw), "rows": rows}
    return [Finding("no-effect", "halt", screw=screw, variant="sure", data=data)]


def effect_doubted(situation: Situation, screw: Screw) -> bool:
    """Whether a screw may do nothing: its turns may not have been made, and the next one may do much."""
    policy = situation.policy
    tried = situation.turns_read(screw) >= policy.fewest_moves_for_dead
    return tried and situation.belief.dead_chance(screw) > policy.doubted_effect


def _backlash(situation: Situation, screw: Screw, turns: list[Row]) -> list[Finding]:
    policy = situation.policy
    hypotheses, chance = situation.belief.model.screws[screw], situation.belief.screw_chances(screw)
    both_ways = len({(turn.event.turns_cw or 0.0) > 0 for turn in turns}) == 2
    wide = float(chance[hypotheses.backlash > policy.backlash_worth_telling_turns].sum())
    if not both_ways or wide <= policy.sure_of_unstated_way:
        return []
    turns_wide = max(1, round(float(chance @ hypotheses.backlash) * 48)) / 48
    return [Finding("slack", "note", screw=screw, data={"turns": turns_wide})]


def read_too_soon(situation: Situation) -> list[Finding]:
    """A last reading that came too soon, or at a rate nobody logged."""
    rows = situation.of("reading")
    if not rows or rows[-1].event.co2_pct is None or rows[-1].event.rate != situation.firing:
        return []
    row, firing = rows[-1], rows[-1].event.rate
    if firing is None:
        return []
    rising = row.event in situation.tracker.rising
    if not (rising or reading_checks.usable(situation.setup, row.event)):
        return []
    after_s = row.at_s - situation.changed_at_s
    data = {"after_s": max(after_s, 0.0)}
    if rising:
        return [Finding("not-settled", "note", firing, variant="rising", data=data)]
    if after_s == 0 and not situation.belief.states[-1].known_before:
        return [_rate_not_logged(situation, row, firing)]
    if after_s > 0 and row.at_s < situation.tracker.earliest_s - 1:
        return [Finding("not-settled", "note", firing, variant="too_soon", data=data)]
    return []


def _rate_not_logged(situation: Situation, row: Row, firing: Firing) -> Finding:
    other = other_firing(firing)
    if any(each.event.firing == OFF for each in situation.of("firing")[-1:]):
        return Finding("not-settled", "warn", firing, variant="logged_off")
    ran = any(each.event.firing == other for each in situation.rows)
    variant = "no_change_logged_row" if ran else "no_change_logged"
    return Finding("not-settled", "warn", firing, variant=variant, data={"other": other, "row": row.number})


def accuracy(situation: Situation) -> list[Finding]:
    """A band narrower than the analyser can prove."""
    own = situation.setup.analyser_accuracy_pct
    tight = [firing for firing, (low, high) in situation.setup.bands.items() if own and (high - low) / 2 < own]
    if not tight or not situation.of("reading"):
        return []
    return [Finding("analyser-accuracy", "note", data={"accuracy": own, "firings": " and ".join(tight)})]


def not_seen(situation: Situation) -> list[Finding]:
    """What this job's data can't show."""
    row = situation.latest()
    if row is not None and row.event.o2_pct is None and row.event.co_ppm is None:
        return [Finding("co2-alone", "warn")]
    return []


CHECKS: tuple[Callable[[Situation], list[Finding]], ...] = (
    of_readings, wrong_answer, sample_line, last_turn, gas_pressure, input_rate, moved_by_itself, fell_short, drift,
    carbon_monoxide, screws, read_too_soon, not_seen, accuracy,
)  # fmt: skip
STOPPING_ITEMS = frozenset(item.item for item in CHECK_ITEMS.values() if item.stops)
