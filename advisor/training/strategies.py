"""Ways to work at a simulated boiler: the adviser's, that of one who knows the valve, rules of thumb, a hasty hand.

Each goes high, low, high again, keeps cap and marks of the job's setup, and ends with the visit's `ending` said.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Literal

from advisor.chemistry import limits
from advisor.decision.answers import Advice
from advisor.screws import SCREW_FOR, Firing, Screw, other_firing
from advisor.training.simulated_visit import DONE, GAVE_UP, SimulatedVisit
from advisor.training.simulator import Boiler

MOST_STOPS = 5
PEAK_WAIT_S = 10.0  # between two looks at CO that may fall by itself after lighting
PROVED_FIRST = ("line", "pressure")
WHERE_TO_LOOK = {  # what a stop of the adviser sends the technician to
    "wrong-way": ("screw",),
    "other-fuel": ("fuel",),
    "off-line": ("fuel",),
    "air-in-sample": ("line", "pressure", "air"),
    "pressure-due": ("pressure", "air"),
    "changed-by-itself": ("air", "pressure", "line"),
    "drift": ("air", "pressure", "line"),
}
TELLS = {  # stops that name a fault at which the visit ends
    "no-effect": "dead screw",
    "rich": "rich start",
    "high-co": "rich start",
}
MARK_PARTS = (1, 2, 4, 8)  # parts of a mark that may be turned where coarser ones can't bring it in
ZONE = 0.75  # share of the half band about its middle that is near enough for one who knows the true CO2
LOW_OVER_PCT = 0.8  # % CO2 above its band that low fire may have while high fire is set
LOW_O2_PCT = 2.5  # and the least O2 there, %
LEAN_LIMIT_PCT = 0.3  # % CO2 below its band to which low fire is set ahead of the throttle's rise, at most
SURE = 1.645  # standard deviations of the hand's error that a turn must leave below an upper limit: 95 %
USUAL_GAIN: Mapping[Screw, float] = {"offset": 5.0, "throttle": 4.0}  # % CO2 per turn, from experience


# ---- the adviser


def act(visit: SimulatedVisit, advice: Advice) -> None:
    """Do what the adviser says: change the rate, wait, turn, prove the line or read."""
    match advice.action:
        case "read" if any(why.code == "prove-line" for why in advice.why):
            _looked(visit, "line")
        case "run_at" if advice.firing and not visit.boiler.firing:
            visit.run_at(advice.firing)
            visit.read_co()
        case "run_at" if advice.firing and advice.firing != visit.boiler.firing:
            visit.run_at(advice.firing)
        case "wait":
            visit.wait(max(1, math.ceil(advice.wait_s or 0)))
        case "turn" if advice.screw and advice.turns_cw:
            visit.turn(advice.screw, advice.turns_cw)
        case _:
            visit.read()


def follow(visit: SimulatedVisit, *until: str) -> Advice | None:
    """Do what the adviser says until it says finish, halt or one of `until`; None where patience ends before."""
    while not visit.given_up:
        advice = visit.job.next(visit.at)
        if advice.action in ("finish", "halt", *until):
            return advice
        act(visit, advice)
    return None


def adviser(visit: SimulatedVisit, *, prepared: bool = True) -> SimulatedVisit:
    """Do what the adviser says to the end; first prove sample line and gas pressure, unless `prepared` is false."""
    for look in PROVED_FIRST if prepared else ():
        _looked(visit, look)
    visit.ending = GAVE_UP
    for stops in range(MOST_STOPS + 1):
        advice = follow(visit)
        if advice is None:
            break
        if advice.action == "finish":
            visit.ending = DONE
            break
        if stops == MOST_STOPS or not _cleared(visit, advice):
            visit.ending = advice.stops[0].code
            break
    return visit


def _looked(visit: SimulatedVisit, look: str) -> bool:
    """Look, and mend what is found; tells whether something was."""
    visit.check(look)
    found = bool(visit.found)
    if found:
        visit.mend()
    return found


def peak_fell(visit: SimulatedVisit, advice: Advice) -> bool:
    """Read CO again and again while it may fall by itself after lighting; tells whether it did."""
    while advice.action == "halt" and advice.stops[0].variant.startswith("lighting"):
        visit.wait(PEAK_WAIT_S)
        visit.read_co()
        advice = visit.job.next(visit.at)
        if advice.action != "halt":
            return True
    return False


def _turned_back(visit: SimulatedVisit) -> bool:
    """Burner off, the last turn undone where that leads out of CO, lit again and read; tells whether it was."""
    undo = next((way for way in visit.job.case(visit.at).ways_out if way.kind == "undo"), None)
    if undo is None or visit.boiler.fault:
        return False
    firing = visit.boiler.running
    visit.burner_off("CO")
    visit.turn_while_off(undo.screw, undo.turns_cw, "undone, CO was too high")
    visit.run_at(firing)
    visit.read_co()
    visit.wait(max(1, math.ceil(visit.job.situation(visit.at).wait_left_s)))
    visit.read()
    return True


def _cleared(visit: SimulatedVisit, advice: Advice) -> bool:
    """Do what a stop asks for: look, mend, read again. False where the visit ends there."""
    code = advice.stops[0].code
    if code == "high-co" and (peak_fell(visit, advice) or _turned_back(visit)):
        return True
    if TELLS.get(code) == visit.boiler.fault:
        visit.noticed.append(visit.boiler.fault)
    if code not in WHERE_TO_LOOK:
        return False
    for look in WHERE_TO_LOOK[code]:
        if _looked(visit, look):
            break
    visit.wait()
    visit.read()
    return True


# ---- without the adviser

Set = Literal["held", "turned", "open"]  # what setting a rate came to; open: the other rate is to be set first


def most_low_pct(visit: SimulatedVisit) -> float:
    """The most CO2 that a throttle turn may leave at low fire, which nobody sees then, dry volume percent."""
    fuel = visit.boiler.fuel
    return min(visit.bands["low"][1] + LOW_OVER_PCT, float(fuel.co2_pct(fuel.excess_air_ratio(o2_pct=LOW_O2_PCT))))


def alternate(visit: SimulatedVisit, set_rate: Callable[[Firing], Set | None], least_held: int) -> SimulatedVisit:
    """High, low, high again, until two rates in a row held.

    set_rate    sets the rate that was changed to; None where patience ended
    least_held  what a rate counts that had to be turned: 1 where its last reading is proof, 0 where it is read again
    """
    firing: Firing = "high"
    held, visit.ending = 0, GAVE_UP
    while not visit.given_up:
        visit.run_at(firing)
        came = set_rate(firing)
        if came is None:
            break
        held = {"held": held + 1, "turned": least_held, "open": 0}[came]
        if held == 2:
            visit.ending = DONE
            break
        firing = other_firing(firing)
    return visit


def omniscient(
    visit: SimulatedVisit, first_turn: Callable[[SimulatedVisit, Screw], float] | None = None
) -> SimulatedVisit:
    """One who knows the valve: cap, marks, waits, rich edge and low fire's limit bind; waits longer where needed.

    `first_turn` chooses each screw's first turn (turns clockwise), for one who does not know its gain before.
    """
    boiler, tried = visit.boiler, set[Screw]()

    def set_rate(firing: Firing) -> Set | None:
        screw, turned = SCREW_FOR[firing], False
        visit.wait(max(change_wait_s(visit), settling_s(boiler, 0.5 if visit.readings else 1.0)))
        visit.read()
        while not _near_enough(visit, firing):
            if visit.given_up:
                return None
            chosen = first_turn(visit, screw) if first_turn and screw not in tried else best_turn(visit, firing)
            if not chosen:
                barred = firing == "high" and not visit.in_band("high") and not _near_enough(visit, "low")
                return "open" if barred else "turned" if turned else "held"
            tried.add(screw)
            visit.turn(screw, chosen)
            was, now = visit.acts[-1].co2_pct()
            visit.wait(max(visit.job.setup.min_wait_s[screw], settling_s(boiler, abs(was - now))))
            visit.read()
            turned = True
        if aim_pct(visit, firing) != visit.centres_pct[firing]:
            return "open"
        return "turned" if turned else "held"

    return alternate(visit, set_rate, 1)


def _near_enough(visit: SimulatedVisit, firing: Firing) -> bool:
    """Whether the true CO2 is near enough to where it is wanted now, and in band where that is the middle."""
    (low, high), aim = visit.bands[firing], aim_pct(visit, firing)
    if aim == visit.centres_pct[firing] and not visit.in_band(firing):
        return False
    return abs(visit.boiler.settled_pct(firing) - aim) <= ZONE * (high - low) / 2 + 1e-12


def aim_pct(visit: SimulatedVisit, firing: Firing) -> float:
    """Where the CO2 of a rate is wanted: the middle; at low fire less what the throttle will still bring there.

    The throttle moves the fuel/air ratio of both rates by one factor (equation 1 of the simulator).
    """
    centre, fuel, boiler = visit.centres_pct[firing], visit.boiler.fuel, visit.boiler
    if firing == "high" or boiler.settled_pct("high") >= visit.bands["high"][0]:
        return centre
    rise = fuel.excess_air_ratio(co2_pct=boiler.settled_pct("high")) / fuel.excess_air_ratio(
        co2_pct=visit.centres_pct["high"]
    )
    lower = float(fuel.co2_pct(fuel.excess_air_ratio(co2_pct=centre) * rise))
    return max(lower, visit.bands["low"][0] - LEAN_LIMIT_PCT)


def _low_allows(visit: SimulatedVisit, screw: Screw, turns_cw: float) -> bool:
    """Whether a turn leaves low fire below the most that it may have, where the turn is one richer of the throttle."""
    if screw == "offset" or turns_cw < 0:
        return True
    return _after(visit, "low", screw, turns_cw * (1 + SURE * visit.boiler.actuation_sd)) <= most_low_pct(visit)


def _after(visit: SimulatedVisit, firing: Firing, screw: Screw, turns_cw: float) -> float:
    """The true settled CO2 of a rate after a turn of the hand."""
    boiler = visit.boiler
    there, half, acts = boiler.hand[screw] + turns_cw, boiler.backlash_turns[screw] / 2, boiler.acts[screw]
    return boiler.settled_after(firing, screw, min(max(acts, there - half), there + half) - acts)


def best_turn(visit: SimulatedVisit, firing: Firing) -> float:
    """The turn within the limits that brings the true CO2 closest to its aim: whole marks, parts where those fail."""
    boiler, screw, aim = visit.boiler, SCREW_FOR[firing], aim_pct(visit, firing)
    cap, mark = visit.job.setup.cap_turns[screw], visit.job.setup.mark_turns[screw]
    low, high = visit.bands[firing]

    def allowed(turns_cw: float) -> bool:
        furthest = _after(visit, firing, screw, turns_cw * (1 + SURE * boiler.actuation_sd))
        return (turns_cw < 0 or furthest <= high) and _low_allows(visit, screw, turns_cw)

    best, least = 0.0, abs(boiler.settled_pct(firing) - aim)
    for split in MARK_PARTS if least < 1 else (1,):  # far off whole marks will do
        step, most = mark / split, math.floor(cap / mark * split + 1e-9)
        for turns in (count * step for count in range(-most, most + 1)):
            away = abs(_after(visit, firing, screw, turns) - aim)
            if away < least - 1e-9 and allowed(turns):
                best, least = turns, away
        if least <= (high - low) / 2:
            break
    if best:
        return best
    # play wider than the cap swallows every turn: the largest towards the aim goes through it
    turns = math.copysign(math.floor(cap / mark + 1e-9) * mark, aim - boiler.settled_pct(firing))
    return turns if abs(boiler.hand[screw] + turns - boiler.acts[screw]) < boiler.backlash_turns[screw] / 2 else 0.0


def change_wait_s(visit: SimulatedVisit, own_s: float | None = None) -> float:
    """The wait after a change of rate, s: two minutes after the first, the start; else one's own or the usual."""
    if not visit.readings:
        return limits.START_WAIT_S
    return visit.job.setup.min_wait_s["firing"] if own_s is None else own_s


def settling_s(boiler: Boiler, change_pct: float) -> float:
    """How long this boiler's display takes after a change of so many % CO2, s."""
    return boiler.dead_time_s + boiler.time_constant_s * math.log(max(change_pct, 0.05) / 0.05)


# ---- rules of thumb: error (% CO2), (turn, change) of this rate so far, screw -> wished turn (turns)

Wish = Callable[[float, list[tuple[float, float]], Screw], float]


@dataclass(frozen=True)
class Rule:
    """A rule of thumb.

    wish        the turn it wishes for
    readings    how many readings it takes the mean of, after a change of rate and after a turn
    inner       it stops where that mean is within this share of the half band about the middle, 0 to 1
    parts       parts of a mark that it turns where less than a mark is wished
    change_s, turn_s  shortest wait after a change of rate and after a turn, s; None: that of the job's setup
    on_the_way_s  when it reads within the wait after a turn, s; None: never
    read_again  whether a rate that had to be turned is read again after the other one
    most_co_ppm   CO on the display at which it leaves the job as it is
    minds_low     whether it sets low fire leaner first where a throttle turn may leave it too rich
    """

    wish: Wish
    readings: tuple[int, int] = (1, 1)
    inner: float = 1.0
    parts: int = MARK_PARTS[-1]
    change_s: float | None = None
    turn_s: float | None = None
    on_the_way_s: float | None = None
    read_again: bool = False
    most_co_ppm: float = math.inf
    minds_low: bool = False


def fixed(size: float) -> Wish:
    """Always the same turn."""
    return lambda error, past, screw: math.copysign(size, error)


def proportional(error: float, past: list[tuple[float, float]], screw: Screw) -> float:
    """The error over a gain taken from experience."""
    return error / USUAL_GAIN[screw]


def harmonic(error: float, past: list[tuple[float, float]], screw: Screw) -> float:
    """The harmonic rule: the n-th correction is 1/n of the proportional one (Grubbs 1954)."""
    return proportional(error, past, screw) / (len(past) + 1)


def secant(error: float, past: list[tuple[float, float]], screw: Screw) -> float:
    """The gain of the last turn, guarded to a factor of four about experience."""
    gain = usual = USUAL_GAIN[screw]
    if past and past[-1][0]:
        gain = min(max(past[-1][1] / past[-1][0], usual / 4), usual * 4)
    return error / gain


RULES: Mapping[str, Rule] = {
    "secant, stops near the middle": Rule(secant, readings=(3, 3), inner=0.5),
    "guarded secant": Rule(secant),
    "proportional": Rule(proportional),
    "harmonic 1/n": Rule(harmonic),
    "fixed 1/12": Rule(fixed(1 / 12)),
    "fixed 1/24": Rule(fixed(1 / 24)),
}
HASTY = Rule(proportional, parts=1, change_s=45.0, turn_s=25.0, read_again=True, most_co_ppm=1000.0, minds_low=False)
FIXED_STEP = replace(RULES["fixed 1/12"], change_s=60.0, read_again=True)  # of lessons and practice


def in_marks(turns: float, cap: float, mark: float, finest: int) -> float:
    """The nearest whole mark within the cap, or the nearest part of one (1 / finest at least) where less is wished."""
    wished = min(abs(turns) / mark, math.floor(cap / mark + 1e-9))
    parts = 1 if wished >= 1 else finest
    return math.copysign(max(1, round(wished * parts)) / parts * mark, turns)


def low_likely_pct(visit: SimulatedVisit, screw: Screw, turns_cw: float) -> float:
    """Low fire's CO2 after a throttle turn richer, as one without the adviser takes it; else -inf.

    As last read there (its band's upper edge where it was not), and as much more as high fire has gone up since and the
    turn will bring by experience.
    """
    if screw == "offset" or turns_cw < 0:
        return -math.inf
    shown: dict[Firing, float] = {"low": visit.bands["low"][1]}
    since: float | None = None
    for act in visit.acts:
        if act.shown:
            shown[act.running] = act.shown.co2_pct
            since = None if act.firing == "low" else act.shown.co2_pct if since is None else since
    rise = 0.0 if since is None else shown["high"] - since
    return shown["low"] + rise + USUAL_GAIN[screw] * turns_cw


def by_rule(visit: SimulatedVisit, rule: Rule) -> SimulatedVisit:
    """A visit by a rule of thumb: wait, read, near enough on the display or turn."""
    setup = visit.job.setup
    past: dict[Firing, list[tuple[float, float]]] = {"high": [], "low": []}

    def look(times: int) -> float:
        return sum(visit.read() for _ in range(times)) / times

    def too_much_co() -> bool:
        return visit.readings[-1].co_ppm >= rule.most_co_ppm

    def set_rate(firing: Firing) -> Set | None:
        screw, centre, turned = SCREW_FOR[firing], visit.centres_pct[firing], False
        enough_pct = rule.inner * (visit.bands[firing][1] - visit.bands[firing][0]) / 2 + 1e-9
        visit.wait(change_wait_s(visit, rule.change_s))
        shown = look(rule.readings[0])
        while abs(error := centre - shown) > enough_pct:
            if visit.given_up or too_much_co():
                return None
            wished = rule.wish(error, past[firing], screw)
            turns = in_marks(wished, setup.cap_turns[screw], setup.mark_turns[screw], rule.parts)
            if rule.minds_low and low_likely_pct(visit, screw, turns) > most_low_pct(visit):
                return "open"
            visit.turn(screw, turns)
            _wait_out(visit, rule, setup.min_wait_s[screw])
            before, shown, turned = shown, look(rule.readings[1]), True
            past[firing].append((turns, shown - before))
        return None if too_much_co() else "turned" if turned else "held"

    return alternate(visit, set_rate, 0 if rule.read_again else 1)


def _wait_out(visit: SimulatedVisit, rule: Rule, usual_s: float) -> None:
    """The wait after a turn, with the reading on the way that some take."""
    wait_s = usual_s if rule.turn_s is None else rule.turn_s
    if rule.on_the_way_s is not None:
        visit.wait(rule.on_the_way_s)
        visit.read()
        wait_s = max(0.0, wait_s - rule.on_the_way_s - visit.settings.read_s)
    visit.wait(wait_s)


def fixed_step(visit: SimulatedVisit) -> SimulatedVisit:
    """A twelfth of a turn every time, a minute's wait, until the display is in band at both rates without a turn."""
    return by_rule(visit, FIXED_STEP)
