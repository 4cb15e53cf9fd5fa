"""The rules of thumb: each is a turn for an error read, how many readings are averaged, and where it stops."""

import math
from collections.abc import Callable
from dataclasses import dataclass

from policies import CAP, CENTRES, FINER, MARK, SCREW, WAIT_S, Outcome, Site

from advisor.training.simulator import Scenario

GAIN = {"offset": 5.0, "throttle": 4.0}  # % CO2 per turn taken from experience: the medians of the base scenario

# error (% CO2), (turn, change) of this rate so far, number of this turn, screw -> wished turn (turns)
Turn = Callable[[float, list[tuple[float, float]], int, str], float]


@dataclass(frozen=True)
class Rule:
    """A rule of thumb.

    turn      the turn it wishes for
    readings  how many readings at a standstill it takes the mean of
    inner     it stops where that mean is within this share of the half band about the middle, 0 to 1
    """

    turn: Turn
    readings: int = 1
    inner: float = 1.0


def fixed(size: float) -> Turn:
    """Always the same turn."""
    return lambda error, past, move, screw: math.copysign(size, error)


def proportional(error: float, past: list[tuple[float, float]], move: int, screw: str) -> float:
    """The error over a gain taken from experience."""
    return error / GAIN[screw]


def harmonic(error: float, past: list[tuple[float, float]], move: int, screw: str) -> float:
    """The harmonic rule: the n-th correction is 1/n of the proportional one (Grubbs 1954)."""
    return proportional(error, past, move, screw) / move


def secant(error: float, past: list[tuple[float, float]], move: int, screw: str) -> float:
    """The gain of the last turn, guarded to a factor of four about experience."""
    gain = usual = GAIN[screw]
    if past and past[-1][0]:
        gain = min(max(past[-1][1] / past[-1][0], usual / 4), usual * 4)
    return error / gain


RULES: dict[str, Rule] = {
    "secant, stops near the middle": Rule(secant, readings=3, inner=0.5),
    "guarded secant": Rule(secant),
    "proportional": Rule(proportional),
    "harmonic 1/n": Rule(harmonic),
    "fixed 1/12": Rule(fixed(1 / 12)),
    "fixed 1/24": Rule(fixed(1 / 24)),
}


def in_marks(turns: float, screw: str) -> float:
    """The nearest whole mark within the cap, or the nearest part of one (an eighth at least) where less is wished."""
    whole = math.floor(CAP[screw] / MARK + 1e-9)
    wished = min(abs(turns) / MARK, whole)
    parts = 1 if wished >= 1 else FINER[-1]
    return math.copysign(max(1, round(wished * parts)) / parts * MARK, turns)


def by_rule(scenario: Scenario, seed: int, name: str, fault: str = "") -> Outcome:
    """A visit by a rule of thumb: wait, read, near enough on the display or turn.

    It ends as the omniscient's does: when both rates were read near enough since the last turn of any screw.
    """
    site, rule = Site(scenario, name, seed, fault), RULES[name]
    past: dict[str, list[tuple[float, float]]] = {"high": [], "low": []}
    enough_pct = rule.inner * scenario.band_half_pct + 1e-9
    firing, read_since_turn, first = "high", set[str](), True

    def look() -> float:
        return sum(site.read() for _ in range(rule.readings)) / rule.readings

    while not site.too_long:
        site.run_at(firing)
        site.boiler.wait(WAIT_S["start" if first else "firing"])
        first, shown, screw = False, look(), SCREW[firing]
        while abs(error := CENTRES[firing] - shown) > enough_pct:
            if site.too_long:
                return site.done(False)
            turns = in_marks(rule.turn(error, past[firing], len(past[firing]) + 1, screw), screw)
            site.turn(screw, turns)
            site.boiler.wait(WAIT_S["turn"])
            before, shown = shown, look()
            past[firing].append((turns, shown - before))
            read_since_turn.clear()
        read_since_turn.add(firing)
        if len(read_since_turn) == 2:
            return site.done(True)
        firing = "low" if firing == "high" else "high"
    return site.done(False)
