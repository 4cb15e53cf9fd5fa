"""The hypotheses over what does not enter a reading linearly, each with its chance before the job.

Per screw: size of the gain (a few narrow normals on a logarithmic grid, which keeps it positive), slack
and where in the slack the job starts, and the two faults "works the other way" and "does nothing".
For the boiler with its analyser: dead time and time constant.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from advisor.job_setup.prior import Prior

Array = NDArray[np.float64]

# size of the gain in spreads of its logarithm about the median, and chance: the normal law's, but with more on the very
# lively, which pass the edge
GAIN_NODES = ((-1.5, 0.14), (-0.5, 0.34), (0.5, 0.33), (1.5, 0.12), (2.5, 0.05), (3.5, 0.02))
REVERSED_NODES = ((-0.8, 0.5), (0.8, 0.5))
NODE_WIDTH = 0.36  # spread of a gain about its node, in steps between nodes: smooth, yet well away from zero
DEAD_GAIN_SD = 0.02  # of the median gain: a dead screw moves CO2 by less than a display can show

# slack as a share of the widest, start in the slack as a share of half the slack, chance
SLACK_NODES = (
    (0.0, 0.0, 0.20),
    (1 / 3, 0.0, 0.25),
    (2 / 3, -2 / 3, 0.15),
    (2 / 3, 2 / 3, 0.15),
    (1.0, -2 / 3, 0.125),
    (1.0, 2 / 3, 0.125),
)
FEW_SLACK_NODES = ((0.0, 0.0, 0.4), (2 / 3, 0.0, 0.6))

# dead time evenly over its range; time constant on its logarithmic range with these chances: the trade's
# minute between readings says that most boilers have settled by then
DEAD_TIME_PLACES = (0.25, 0.75)
TIME_CONSTANT_NODES = ((0.08, 0.36), (0.36, 0.36), (0.64, 0.22), (0.92, 0.06))


@dataclass(frozen=True)
class ScrewHypotheses:
    """S hypotheses about one screw, all arrays of shape (S,).

    gain, gain_sd  mean and spread of the gain, % CO2 per turn in the stated direction (negative: reversed)
    slack, start   width of the play and where in it the job starts, turns
    dead           True where the screw does nothing
    weight         chance before the job, summing to 1
    """

    gain: Array
    gain_sd: Array
    slack: Array
    start: Array
    dead: NDArray[np.bool_]
    weight: Array

    def only(self, kept: NDArray[np.intp]) -> "ScrewHypotheses":
        """Some of these hypotheses, by their places."""
        return ScrewHypotheses(*(values[kept] for values in vars(self).values()))


@dataclass(frozen=True)
class LagHypotheses:
    """L hypotheses about the lag, all arrays of shape (L,): dead time s, time constant s, chance."""

    dead_time_s: Array
    time_constant_s: Array
    weight: Array

    def only(self, kept: NDArray[np.intp]) -> "LagHypotheses":
        """Some of these hypotheses, by their places."""
        return LagHypotheses(*(values[kept] for values in vars(self).values()))


def screw_hypotheses(prior: Prior, screw: str, direction_known: bool) -> ScrewHypotheses:
    """Hypotheses about one screw under `prior`; with an unknown direction both ways are as likely."""
    chance_reversed = prior.chance_reversed if direction_known else (1 - prior.chance_dead) / 2
    median = prior.gain_per_turn[screw]
    groups = [
        (GAIN_NODES, 1.0, SLACK_NODES, 1 - chance_reversed - prior.chance_dead),
        (
            REVERSED_NODES if direction_known else GAIN_NODES,
            -1.0,
            FEW_SLACK_NODES if direction_known else SLACK_NODES,
            chance_reversed,
        ),
    ]
    rows = []
    for nodes, sign, slacks, chance in groups:
        step = nodes[1][0] - nodes[0][0]
        for at, node_share in nodes:
            node = median * math.exp(prior.gain_log_sd * at)
            node_sd = node * prior.gain_log_sd * step * NODE_WIDTH
            for wide, place, slack_share in slacks:
                width = wide * prior.slack_turns
                start_at = place * width / 2
                rows.append((sign * node, node_sd, width, start_at, 0.0, chance * node_share * slack_share))
    rows.append((0.0, DEAD_GAIN_SD * median, 0.0, 0.0, 1.0, prior.chance_dead))
    gain, gain_sd, slack, start, dead, weight = np.array(rows, dtype=np.float64).T
    return ScrewHypotheses(gain, gain_sd, slack, start, dead.astype(bool), weight / weight.sum())


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
