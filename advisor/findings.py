"""What is wrong, as far as the data of one job can tell. Each finding has one function; `find` runs them all."""

import itertools

from advisor import readings, units
from advisor.events import SCREWS
from advisor.history import SAMPLE_LINE, clockwise_item
from advisor.readings import Finding
from advisor.response import FIRING_FOR
from advisor.visit import Visit

SURE = 0.9  # chance from which a fault of a screw is stated
WORTH_TELLING_SLACK_TURNS = 1 / 64
FEWEST_MOVES_FOR_DEAD = 2
DRIFT_PCT = 0.3  # more than rounding and flame noise can do
DRIFT_SPAN_S = 120.0
STEADY_PCT = 0.1


def find(visit: Visit) -> tuple[Finding, ...]:
    """All findings of the job as it stands, the gravest first."""
    found = [
        *_last_reading(visit),
        *_pressures(visit),
        *_moved_by_itself(visit),
        *_drift(visit),
        *(finding for screw in SCREWS for finding in _screw(visit, screw)),
        *_read_too_soon(visit),
        *_not_seen(visit),
    ]
    order = {"halt": 0, "warn": 1, "note": 2}
    return tuple(sorted(found, key=lambda finding: order[finding.severity]))


def _last_reading(visit: Visit) -> list[Finding]:
    last = visit.last_reading
    return list(readings.judge(visit.facts, last)) if last else []


def _pressures(visit: Visit) -> list[Finding]:
    """Gas pressures outside the data plate's range, each by its latest check."""
    found = []
    for name, (low, high, unit) in visit.facts.pressures.items():
        checks = [row.event for row in visit.of("check") if row.event.item == name]
        if not checks:
            continue
        value = units.convert_pressure(float(checks[-1].value), checks[-1].unit, unit)
        if not low <= value <= high:
            found.append(
                Finding(
                    "pressure",
                    "halt",
                    f"The {name} is {value:.4g} {unit}; the data plate allows {low:g} to {high:g}. "
                    "Put the gas supply right first: the valve is not the fault.",
                )
            )
    return found


def _moved_by_itself(visit: Visit) -> list[Finding]:
    """A step with no turn made: air entering the sample, or the boiler itself has changed."""
    if not visit.history.suspects:
        return []
    first = visit.history.suspects[0]
    expected, shown = first.expected_co2_pct, first.co2_pct
    event = next(row.event for row in visit.rows if row.number == first.number)
    seen = f"CO2 went from {expected:.1f} to {shown:.1f} % with no turn made (row {first.number})"
    way_out = (
        f"Then read again. If the line was loose, void the readings taken meanwhile; if it is tight, log it: "
        f'check "{SAMPLE_LINE}" tight.'
    )
    if shown < expected:
        rises = " and O2 went up" if event.o2_pct is not None else ""
        return [
            Finding(
                "air-in-sample",
                "halt",
                f"{seen}{rises}. Air in the sample makes a rich flame look lean: check probe, hose and water trap, "
                f"then the gas pressure. {way_out}",
            )
        ]
    return [
        Finding(
            "changed-by-itself",
            "halt",
            f"{seen}. Something other than the screws changed: look at air intake, filter, flue and gas pressure. "
            f"{way_out}",
        )
    ]


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
        )
    ]


def _screw(visit: Visit, screw: str) -> list[Finding]:
    turns = [row for row in visit.of("turn") if row.event.screw == screw]
    if not turns or not visit.belief.states:
        return []
    hypotheses, chance = visit.belief.model.screws[screw], visit.belief.chances(screw)
    found = []
    told = visit.facts.clockwise[screw]
    if float(chance[hypotheses.gain < 0].sum()) > SURE:
        if told == "unknown":
            text = f"On this valve the {screw} screw makes it leaner when turned clockwise."
            found.append(Finding("direction", "note", text))
        else:
            other = "leaner" if told == "richer" else "richer"
            found.append(
                Finding(
                    "wrong-way",
                    "halt",
                    f"The {screw} screw works the other way: clockwise makes it {other}, or a turn was logged the "
                    f"wrong way. Read O2 and CO, look at the screw, then log what is so: "
                    f'check "{clockwise_item(screw)}" {other}, or void the turn that was never made.',
                )
            )
    honest = [row for row in turns if _read_after(visit, row.event.time.timestamp(), FIRING_FOR[screw])]
    if float(chance[hypotheses.dead].sum()) > SURE and len(honest) >= FEWEST_MOVES_FOR_DEAD:
        found.append(
            Finding(
                "no-effect",
                "halt",
                f"The {screw} screw does nothing: {len(honest)} turns, no change. Is it the right screw, is a cap in "
                "the way, does the tool grip? If so, the valve is faulty: put it back as found and call the maker.",
            )
        )
    slack = float(chance @ hypotheses.slack)
    if float(chance[hypotheses.slack > WORTH_TELLING_SLACK_TURNS].sum()) > SURE:
        found.append(
            Finding(
                "slack",
                "note",
                f"The {screw} screw has some {units.say_fraction(max(1, round(slack * 48)) / 48)} turn of slack: after "
                "a change of direction the first part of a turn does nothing. It is counted in.",
            )
        )
    return found


def _read_after(visit: Visit, at_s: float, firing: str) -> bool:
    """Whether the settled effect of a turn at `at_s` was read before the next turn."""
    later = [row.event.time.timestamp() for row in visit.of("turn") if row.event.time.timestamp() > at_s]
    until_s = min(later, default=float("inf"))
    return any(row.event.time.timestamp() < until_s for row in visit.settled_readings(firing, at_s))


def _read_too_soon(visit: Visit) -> list[Finding]:
    last = visit.last_reading
    if last is None or last.firing != visit.firing or not readings.usable(visit.facts, last):
        return []
    counted = {row.number for row in visit.history.settled} | {s.number for s in visit.history.suspects}
    if visit.of("reading")[-1].number in counted:
        return []
    after = last.time.timestamp() - visit.changed_at_s
    if not visit.belief.states[-1].known_before and after == 0:
        text = f"No change to {last.firing} fire was logged: the wait counts from this reading."
    elif after > 0:
        text = f"The last reading came {units.say_seconds(after)} after the change before it: too soon to steer by."
    else:
        return []
    return [Finding("not-settled", "note", text)]


def _not_seen(visit: Visit) -> list[Finding]:
    """What this job's data can't show."""
    found = []
    last = visit.last_reading
    if last is not None and last.o2_pct is None:
        found.append(
            Finding(
                "co2-alone",
                "note",
                "CO2 alone can't tell a lean flame from a rich one: give O2 and CO with the next reading.",
            )
        )
    if last is not None and not any(row.event.item == SAMPLE_LINE for row in visit.of("check")):
        found.append(
            Finding(
                "sample-line",
                "note",
                f'A leak in the sample line does not show in the readings: prove it tight, log check "{SAMPLE_LINE}".',
            )
        )
    return found
