"""By how much the analyser's clock is behind that of the log, told from the changes that both have seen.

A display at time t mixes the levels L of the states between the changes c_k of the log (turns, changes of rate), by
first-order step responses (`response.valve`):

    y(t) = sum_k w_k(t + shift - c_k - dead, tau) L_k + e,   L_k ~ N(m, v s^2),   e ~ N(0, s^2)                    (1)

Under each (shift, dead time, time constant) of a grid the levels and s^2 drop out in closed form (normal-inverse-gamma)
and leave the likelihood of the whole series. A series shows the shift less the dead time only; readings that were typed
on the way, at the log's clock, part the two. Where none was, the dead time's prior range stays in the shift.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from advisor.job_setup.prior import Prior
from advisor.response.valve import step_response, superposition_weights

Array = NDArray[np.float64]

MOST_SAMPLES = 400  # that the shift is told from: bounds the time it takes
COARSE_S, FINE_S = 4.0, 1.0  # steps of the two passes over shifts
WORTH_A_LOOK = 10.0  # nats below the likeliest of the first pass down to which the second looks
SEEN = 5.0  # nats by which the changes must explain the series better than one level does, own choice
SHARED_S = 4.0  # samples so close together share their error (1): they count as one; kept 90 % ranges at 90 %, tuned
TURN_SHARE = 0.1  # of that variance for what a turn does
LEVEL_VAR_RATIO = 400.0  # v of (1): levels differ by 1 % CO2 where the display errs by 0.05
NOISE_SHAPE, NOISE_SD_PCT = 1.5, 0.05  # of s^2 in (1), own choice
TYPED_S = 2.0  # by which entries may be off the moment they tell of, own choice
MEMORY_S = 300.0  # how long a change can still show


class Shift(NamedTuple):
    """Seconds to add to a series' times for those of the log: expected, and the 90 % range."""

    expected_s: float
    low_s: float
    high_s: float


class _Sums(NamedTuple):
    """W'W, W'y and y'y of (1), and how many readings they hold; one of each or many, one behind the other."""

    gram: Array
    moment: Array
    square: float
    readings: float

    def plus(self, other: "_Sums") -> "_Sums":
        return _Sums(
            self.gram + other.gram,
            self.moment + other.moment,
            self.square + other.square,
            self.readings + other.readings,
        )


def find_shift(
    changes: Sequence[tuple[float, str]],
    sampled_s: Array,
    co2_pct: Array,
    typed: Sequence[tuple[float, float]],
    reach_s: tuple[float, float],
    prior: Prior,
) -> Shift | None:
    """The shift, sought from `reach_s[0]` to `reach_s[1]`; None where no change falls into the covered
    time, or none shows.

    changes    turns and changes of rate: moment by the log's clock, s, and the rate that runs then
    sampled_s, co2_pct  the series (n,) in order of time: its own clock, s; dry volume percent
    typed      readings in the log: s by its clock, dry volume percent
    """
    if sampled_s.size < 3:
        return None
    every = np.unique(np.linspace(0, sampled_s.size - 1, MOST_SAMPLES).astype(int))
    share = min(1.0, (sampled_s[-1] - sampled_s[0]) / SHARED_S / every.size)
    sampled_s, co2_pct = sampled_s[every], co2_pct[every]
    first_s, last_s = sampled_s[0] + reach_s[0], sampled_s[-1] + reach_s[1]
    near = [(at_s, rate) for at_s, rate in sorted(changes) if first_s - MEMORY_S < at_s < last_s]
    seen = np.array([at_s for at_s, _ in near])
    if not any(first_s < at_s < last_s for at_s in seen):
        return None
    rates = np.array(["", *(rate for _, rate in near)])
    level_precision = np.linalg.inv(LEVEL_VAR_RATIO * ((rates[:, None] == rates) + TURN_SHARE * np.eye(rates.size)))
    mean, (short, long) = float(co2_pct.mean()), prior.time_constant_s
    deads_s, constants_s = np.linspace(*prior.dead_time_s, 5), short * (long / short) ** np.linspace(0.0, 1.0, 6)
    read = np.array([pair for pair in typed if first_s < pair[0] < last_s]).reshape(-1, 2)

    def series(less_s: float, constant_s: float) -> _Sums:
        return _sums(sampled_s + less_s - seen[:, None], co2_pct - mean, constant_s, share)

    # the shift less the dead time, roughly, then finely
    rough = np.arange(reach_s[0] - deads_s[-1], reach_s[1], COARSE_S)
    log_chance = np.array(
        [max(_log_likelihood(series(less_s, c), level_precision) for c in constants_s[1::2]) for less_s in rough]
    )
    likely = rough[log_chance > log_chance.max() - WORTH_A_LOOK]
    around = np.arange(-2 * COARSE_S, 2 * COARSE_S + FINE_S, FINE_S)
    fine = np.unique((likely[:, None] + around).round(3))
    shifts_s, chances = [], []
    for constant_s in constants_s:
        shown = [series(less_s, constant_s) for less_s in fine]
        for dead_s in deads_s:
            of_read = _sums(read[:, 0] - dead_s - seen[:, None], read[:, 1] - mean, constant_s, 1.0)
            shifts_s.append(fine + dead_s)
            chances.append([_log_likelihood(one.plus(of_read), level_precision) for one in shown])
    shift_s, log_chance = np.concatenate(shifts_s), np.concatenate(chances)
    still = _log_likelihood(_sums(np.zeros((0, sampled_s.size)), co2_pct - mean, 1.0, share), np.eye(1) / LEVEL_VAR_RATIO)
    if log_chance.max() < still + SEEN:
        return None
    order = np.argsort(shift_s)
    weight = np.exp(log_chance - log_chance.max())[order]
    weight /= weight.sum()
    low, high = np.interp((0.05, 0.95), np.cumsum(weight), shift_s[order])
    return Shift(float(weight @ shift_s[order]), float(low) - TYPED_S, float(high) + TYPED_S)


def _sums(elapsed_s: Array, y: Array, constant_s: float, share: float) -> _Sums:
    weights = superposition_weights(step_response(elapsed_s.T, 0.0, constant_s))
    return _Sums(share * weights.T @ weights, share * weights.T @ y, share * float(y @ y), share * y.size)


def _log_likelihood(sums: _Sums, level_precision: Array) -> float:
    """Of (1), levels and noise integrated out, but for what is the same under every hypothesis."""
    half = np.linalg.cholesky(sums.gram + level_precision)
    projected = np.linalg.solve(half, sums.moment)
    scale = NOISE_SHAPE * NOISE_SD_PCT**2 + (sums.square - float(projected @ projected)) / 2
    prior = np.linalg.slogdet(level_precision)[1] / 2
    return float(prior - np.log(np.diag(half)).sum() - (NOISE_SHAPE + sums.readings / 2) * np.log(scale))
