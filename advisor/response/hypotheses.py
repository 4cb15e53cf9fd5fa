"""Hypotheses over what does not enter a reading linearly, each with its prior probability.

Per screw: size of the gain (narrow normals on a logarithmic grid, which keeps it positive), width of the backlash and
the position in it at the start, and the two faults "works the other way" and "does nothing". For the boiler with its
analyser: dead time and time constant.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from advisor.job_setup.prior import Prior

Array = NDArray[np.float64]

# size of the gain, in standard deviations of its logarithm from the median, and probability: the normal law's, but with
# more on the very lively, which pass the edge
GAIN_NODES = ((-1.5, 0.14), (-0.5, 0.34), (0.5, 0.33), (1.5, 0.12), (2.5, 0.05), (3.5, 0.02))
REVERSED_NODES = ((-0.8, 0.5), (0.8, 0.5))
NODE_SD = 0.36  # of a gain about its node, in steps between nodes: smooth, yet well away from zero
DEAD_GAIN_SD = 0.02  # of the median gain: a dead screw moves CO2 by less than a display can show

# backlash as a share of the widest, start as a share of half the backlash, probability
BACKLASH_NODES = (
    (0.0, 0.0, 0.20),
    (1 / 3, 0.0, 0.25),
    (2 / 3, -2 / 3, 0.15),
    (2 / 3, 2 / 3, 0.15),
    (1.0, -2 / 3, 0.125),
    (1.0, 2 / 3, 0.125),
)
FEW_BACKLASH_NODES = ((0.0, 0.0, 0.4), (2 / 3, 0.0, 0.6))

# dead time evenly over its range; time constant on its logarithmic range with these probabilities: the trade's minute
# between readings says that most boilers have settled by then
DEAD_TIME_PLACES = (0.25, 0.75)
TIME_CONSTANT_NODES = ((0.08, 0.36), (0.36, 0.36), (0.64, 0.22), (0.92, 0.06))


@dataclass(frozen=True)
class ScrewHypotheses:
    """S hypotheses about one screw, all arrays of shape (S,).

    gain, gain_sd    mean and standard deviation of the gain, % CO2 per turn in the stated direction; below 0: reversed
    backlash, start  width of the backlash and the position in it at the start, turns
    dead             True where the screw does nothing
    weight           prior probability, summing to 1
    """

    gain: Array
    gain_sd: Array
    backlash: Array
    start: Array
    dead: NDArray[np.bool_]
    weight: Array

    def select(self, kept: NDArray[np.intp]) -> "ScrewHypotheses":
        """Some of these hypotheses, by their indices."""
        return ScrewHypotheses(*(values[kept] for values in vars(self).values()))


@dataclass(frozen=True)
class LagHypotheses:
    """L hypotheses about the lag, all arrays of shape (L,): dead time s, time constant s, probability."""

    dead_time_s: Array
    time_constant_s: Array
    weight: Array

    def select(self, kept: NDArray[np.intp]) -> "LagHypotheses":
        """Some of these hypotheses, by their indices."""
        return LagHypotheses(*(values[kept] for values in vars(self).values()))


def screw_hypotheses(prior: Prior, screw: str, direction_known: bool) -> ScrewHypotheses:
    """Hypotheses about one screw under `prior`; with an unknown direction both ways are as likely."""
    chance_reversed, chance_dead = prior.fault_chances(screw)
    chance_reversed = chance_reversed if direction_known else (1 - chance_dead) / 2
    median, log_sd = prior.gain_per_turn[screw], prior.log_sd(screw)
    groups = [
        (GAIN_NODES, 1.0, BACKLASH_NODES, 1 - chance_reversed - chance_dead),
        (
            REVERSED_NODES if direction_known else GAIN_NODES,
            -1.0,
            FEW_BACKLASH_NODES if direction_known else BACKLASH_NODES,
            chance_reversed,
        ),
    ]
    rows = []
    for nodes, sign, backlashes, chance in groups:
        step = nodes[1][0] - nodes[0][0]
        for at, node_share in nodes:
            node = median * math.exp(log_sd * at)
            node_sd = node * log_sd * step * NODE_SD
            for wide, place, backlash_share in backlashes:
                width = wide * prior.backlash_turns
                start_at = place * width / 2
                rows.append((sign * node, node_sd, width, start_at, 0.0, chance * node_share * backlash_share))
    rows.append((0.0, DEAD_GAIN_SD * median, 0.0, 0.0, 1.0, chance_dead))
    gain, gain_sd, backlash, start, dead, weight = np.array(rows, dtype=np.float64).T
    return ScrewHypotheses(gain, gain_sd, backlash, start, dead.astype(bool), weight / weight.sum())


def lag_hypotheses(prior: Prior) -> LagHypotheses:
    """Hypotheses about the lag under `prior`: every dead time with every time constant."""
    low, high = prior.dead_time_s
    short, long = prior.time_constant_s
    rows = [
        (low + (high - low) * at, short * (long / short) ** place, chance / len(DEAD_TIME_PLACES))
        for at in DEAD_TIME_PLACES
        for place, chance in TIME_CONSTANT_NODES
    ]
    return LagHypotheses(*np.array(rows, dtype=np.float64).T)
