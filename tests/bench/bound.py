"""What not knowing the gain alone must cost: `run.py --policies "omniscient,finder, free,finder, as promised"`.

The *finder* is the bench's omniscient but for one thing: before the first turn of a screw it knows only the law of that
screw's gain, and that exactly. All else it knows: the true settled CO2, lag, backlash and where in it the screw stands,
the turndown, what the hand did. Its first turn of a screw leaves the fewest turns to be expected, and shows the gain
exactly; from then on it is the omniscient. Waits, cap, marks and ending are the bench's.

    free              any first turn within the cap
    as promised       first turns as the adviser promises them: at most 5 % chance to pass the far edge (by the gain's
                      law, the hand's error left out), and at most half the cap

What the table proves: the finder's surplus over the omniscient on the same boilers is what these two habits cost when
nothing but the gain is unknown; what the adviser takes beyond the finder is not owed to the gain. What it does not
prove: that anybody who reads a display could do as well (lag, backlash, noise, rounding, drift and the hand are told to
the finder), nor that no other first turn would take fewer minutes (turns left are counted as if the hand made no error,
and the first turn looks for the fewest turns, not the fewest minutes).
"""

import math

import numpy as np
from bench_visit import CENTRES
from numpy.typing import NDArray
from scipy.stats import norm

from advisor.screws import FIRING_FOR, SCREWS, Screw
from advisor.training.simulated_visit import SimulatedVisit
from advisor.training.simulator import Boiler, Scenario
from advisor.training.strategies import MARK_PARTS, ZONE

Array = NDArray[np.float64]
NODES = norm.ppf((np.arange(61) + 0.5) / 61)  # of the logarithm of the gain, equally likely
PAST_CHANCE = 0.05  # the adviser's usual limit
FINDERS = {"finder, free": False, "finder, as promised": True}  # whether the first turn keeps the adviser's promises


def mixture(boiler: Boiler, co2_pct: float) -> float:
    """Fuel/air ratio, as a share of the stoichiometric, that gives this CO2 (dry volume percent)."""
    return 1 / boiler.fuel.excess_air_ratio(co2_pct=co2_pct)


def per_turn(boiler: Boiler, scenario: Scenario, screw: Screw) -> Array:
    """What a turn adds to the throttle's opening or to the offset, for each of the equally likely gains."""
    median, spread = scenario.gain_throttle if screw == "throttle" else scenario.gain_offset
    centre = CENTRES[FIRING_FOR[screw]]
    excess = 1 / mixture(boiler, centre)
    slope = (boiler.fuel.co2_pct(excess / 1.001) - boiler.fuel.co2_pct(excess / 0.999)) / 0.002
    gains = median * np.exp(spread * NODES)
    if screw == "throttle":
        return gains / slope
    return gains / slope * 2 * (mixture(boiler, centre) / boiler.ratio) ** 2


def acting_at(boiler: Boiler, screw: Screw, each: Array, co2_pct: float) -> Array:
    """Where the screw's effect (turns) must be for this CO2 at its own rate, for each gain (equation 1, solved)."""
    signal = boiler.turndown**2 if screw == "throttle" else 1.0
    moved = {name: boiler.acts[name] - boiler.play_at[name] for name in SCREWS}
    wanted = mixture(boiler, co2_pct) / boiler.ratio
    if screw == "throttle":
        offset = boiler.offset + boiler.offset_per_turn * moved["offset"]
        turns = (wanted / math.sqrt(max(1 + offset / signal, 0.05)) - 1) / each
    else:
        opening = max(1 + boiler.opening_per_turn * moved["throttle"], 0.05)
        turns = (((wanted / opening) ** 2 - 1) * signal - boiler.offset) / each
    return turns + boiler.play_at[screw]


def first_turn(scenario: Scenario, promised: bool, visit: SimulatedVisit, screw: Screw) -> float:
    """The first turn (turns clockwise) of one who knows only the law of the gain: fewest turns left to be expected."""
    boiler, firing, play = visit.boiler, FIRING_FOR[screw], visit.boiler.backlash_turns[screw] / 2
    cap, mark = visit.job.setup.cap_turns[screw], visit.job.setup.mark_turns[screw]
    each = per_turn(boiler, scenario, screw)
    low_edge, high_edge = visit.bands[firing]
    centre, half = visit.centres_pct[firing], (high_edge - low_edge) / 2
    least, most, too_lean, too_rich = (
        acting_at(boiler, screw, each, co2_pct)
        for co2_pct in (centre - ZONE * half, centre + ZONE * half, low_edge, high_edge)
    )
    parts = MARK_PARTS[-1]
    steps = math.floor((max(mark, cap / 2) if promised else cap) / mark * parts + 1e-9)
    toward = math.copysign(mark / parts, centre - boiler.settled_pct(firing))
    best, fewest = toward, (math.inf, math.inf)
    for turns in [sign * count * mark / parts for count in range(1, steps + 1) for sign in (1, -1)]:
        hand = boiler.hand[screw] + turns
        acts = min(max(boiler.acts[screw], hand - play), hand + play)
        under, over = acts < least, acts > most
        back = np.where(under, least + play - hand, hand - most + play)  # hand's way to the nearer end, play taken up
        left = np.where(under | over, np.maximum(np.ceil(back / cap - 1e-9), 1), 0)
        if promised and np.mean(acts > too_rich if turns > 0 else acts < too_lean) > PAST_CHANCE:
            continue
        miss = float(np.mean(np.abs(acts - (least + most) / 2) * each))
        if (found := (round(float(left.mean()), 9), miss)) < fewest:
            best, fewest = turns, found
    return best
