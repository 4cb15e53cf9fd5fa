"""Ways to work at a simulated boiler: the adviser's, that of one who knows the valve, rules of thumb, a hasty hand.

Each goes high, low, high again, keeps cap and marks of the job's setup, and ends with the visit's `ending` said.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

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
USUAL_GAIN: Mapping[Screw, float] = {"offset": 5.0, "throttle": 4.0}  # % CO2 per turn, from experience


# ---- the adviser


def act(visit: SimulatedVisit, advice: Advice) -> None:
    """Do what the adviser says: change the rate, wait, turn or read."""
    match advice.action:
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


def _alternate(visit: SimulatedVisit, set_rate: Callable[[Firing], bool | None], least_held: int) -> SimulatedVisit:
    """High, low, high again, until two rates in a row held.

    set_rate    sets the rate that was changed to; tells whether it had to turn, None where patience ended
    least_held  what a rate counts that had to be turned: 1 where its last reading is proof, 0 where it is read again
    """
    firing: Firing = "high"
    held, visit.ending = 0, GAVE_UP
    while not visit.given_up:
        visit.run_at(firing)
        turned = set_rate(firing)
        if turned is None:
            break
        held = least_held if turned else held + 1
        if held == 2:
            visit.ending = DONE
            break
        firing = other_firing(firing)
    return visit


def omniscient(
    visit: SimulatedVisit, first_turn: Callable[[SimulatedVisit, Screw], float] | None = None
) -> SimulatedVisit:
    """One who knows the valve: only cap, marks and waits bind; waits longer where this boiler needs it.

    `first_turn` chooses each screw's first turn (turns clockwise), for one who does not know its gain before.
    """
    boiler, tried = visit.boiler, set[Screw]()

    def near_enough(firing: Firing) -> bool:
        most = ZONE * (visit.bands[firing][1] - visit.centres_pct[firing]) + 1e-12
        return visit.in_band(firing) and abs(boiler.settled_pct(firing) - visit.centres_pct[firing]) <= most

    def set_rate(firing: Firing) -> bool | None:
        screw, turned = SCREW_FOR[firing], False
        visit.wait(max(_change_wait_s(visit), _settling_s(boiler, 0.5 if visit.readings else 1.0)))
        visit.read()
        while not near_enough(firing):
            if visit.given_up:
                return None
            chosen = first_turn(visit, screw) if first_turn and screw not in tried else best_turn(visit, firing)
            tried.add(screw)
            if not chosen:
                break
            visit.turn(screw, chosen)
            was, now = visit.acts[-1].co2_pct()
            visit.wait(max(visit.job.setup.min_wait_s[screw], _settling_s(boiler, abs(was - now))))
            visit.read()
            turned = True
        return turned

    return _alternate(visit, set_rate, 1)


def _change_wait_s(visit: SimulatedVisit, own_s: float | None = None) -> float:
    """The wait after a change of rate, s: two minutes after the first, the start; else one's own or the usual."""
    if not visit.readings:
        return limits.START_WAIT_S
    return visit.job.setup.min_wait_s["firing"] if own_s is None else own_s


def _settling_s(boiler: Boiler, change_pct: float) -> float:
    return boiler.dead_time_s + boiler.time_constant_s * math.log(max(change_pct, 0.05) / 0.05)


def best_turn(visit: SimulatedVisit, firing: Firing) -> float:
    """The turn within the cap that brings the true CO2 closest to the centre: whole marks, parts where those fail."""
    boiler, screw, centre = visit.boiler, SCREW_FOR[firing], visit.centres_pct[firing]
    hand, acts, half = boiler.hand[screw], boiler.acts[screw], boiler.backlash_turns[screw] / 2
    cap, mark = visit.job.setup.cap_turns[screw], visit.job.setup.mark_turns[screw]
    low, high = visit.bands[firing]
    best, least = 0.0, abs(boiler.settled_pct(firing) - centre)
    for split in MARK_PARTS if least < 1 else (1,):  # far off whole marks will do
        step, most = mark / split, math.floor(cap / mark * split + 1e-9)
        for count in range(-most, most + 1):
            there = hand + count * step
            acting = min(max(acts, there - half), there + half)
            away = abs(boiler.settled_after(firing, screw, acting - acts) - centre)
            if away < least - 1e-9:
                best, least = count * step, away
        if least <= (high - low) / 2:
            break
    if best:
        return best
    # play wider than the cap swallows every turn: the largest towards the centre goes through it
    turns = math.copysign(math.floor(cap / mark + 1e-9) * mark, centre - boiler.settled_pct(firing))
    return turns if abs(hand + turns - acts) < half else 0.0


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
HASTY = Rule(proportional, parts=1, change_s=45.0, turn_s=25.0, read_again=True, most_co_ppm=1000.0)
FIXED_STEP = replace(RULES["fixed 1/12"], change_s=60.0, read_again=True)  # of lessons and practice


def in_marks(turns: float, cap: float, mark: float, finest: int) -> float:
    """The nearest whole mark within the cap, or the nearest part of one (1 / finest at least) where less is wished."""
    wished = min(abs(turns) / mark, math.floor(cap / mark + 1e-9))
    parts = 1 if wished >= 1 else finest
    return math.copysign(max(1, round(wished * parts)) / parts * mark, turns)


def by_rule(visit: SimulatedVisit, rule: Rule) -> SimulatedVisit:
    """A visit by a rule of thumb: wait, read, near enough on the display or turn."""
    setup = visit.job.setup
    past: dict[Firing, list[tuple[float, float]]] = {"high": [], "low": []}

    def look(times: int) -> float:
        return sum(visit.read() for _ in range(times)) / times

    def too_much_co() -> bool:
        return visit.readings[-1].co_ppm >= rule.most_co_ppm

    def set_rate(firing: Firing) -> bool | None:
        screw, centre, turned = SCREW_FOR[firing], visit.centres_pct[firing], False
        enough_pct = rule.inner * (visit.bands[firing][1] - visit.bands[firing][0]) / 2 + 1e-9
        visit.wait(_change_wait_s(visit, rule.change_s))
        shown = look(rule.readings[0])
        while abs(error := centre - shown) > enough_pct:
            if visit.given_up or too_much_co():
                return None
            wished = rule.wish(error, past[firing], screw)
            turns = in_marks(wished, setup.cap_turns[screw], setup.mark_turns[screw], rule.parts)
            visit.turn(screw, turns)
            _wait_out(visit, rule, setup.min_wait_s[screw])
            before, shown, turned = shown, look(rule.readings[1]), True
            past[firing].append((turns, shown - before))
        return None if too_much_co() else turned

    return _alternate(visit, set_rate, 0 if rule.read_again else 1)


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
