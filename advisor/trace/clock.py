"""By how much the analyser's clock is behind that of the log, told from the changes that both have seen.

A display at time t mixes the levels L of the states between the changes c_k of the log (turns, changes of rate), by
first-order step responses (`response.valve`):

    y(t) = sum_k w_k(t + shift - c_k - dead, tau) L_k + e,   L_k ~ N(m, v s^2),   e ~ N(0, s^2)                    (1)

Under each (shift, dead time, time constant) of a grid the levels and s^2 drop out in closed form (normal-inverse-gamma)
and leave the likelihood of the whole series. A series shows the shift less the dead time only; readings that were typed
on the way, at the log's clock, part the two. Where none was, the dead time's prior range stays in the shift.
"""

from collections.abc import Callable, Sequence
from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from advisor.job_setup.prior import Prior
from advisor.response.valve import step_response, superposition_weights

Array = NDArray[np.float64]

MOST_SAMPLES = 450  # that the shift is told from: bounds the time it takes
COARSE_S, FINE_S = 4.0, 1.0  # steps of the two passes over shifts
WORTH_A_LOOK = 10.0  # nats below the likeliest of the first pass down to which the second looks
SEEN = 5.0  # nats by which the changes must explain the series better than one level does, own choice
SHARED_S = 4.0  # samples so close together share their error: one counts; so the 90 % ranges hold (test), tuned
TURN_SHARE = 0.1  # of that variance for what a turn does
LEVEL_VAR_RATIO = 400.0  # v of (1): levels differ by 1 % CO2 where the display errs by 0.05
NOISE_SHAPE, NOISE_SD_PCT = 1.5, 0.05  # of s^2 in (1), own choice
TYPED_S = 2.0  # by which entries may be off the moment they tell of, own choice
OUTSIDE = 0.02  # trust in samples of when nobody logged how the boiler ran: as if of 50 times the noise, own choice
MEMORY_S = 300.0  # how long a change can still show


class Shift(NamedTuple):
    """Seconds to add to a series' times for those of the log: expected, and the 90 % range."""

    expected_s: float
    low_s: float
    high_s: float


def find_shift(
    changes: Sequence[tuple[float, str]],
    known: Sequence[tuple[float, float]],
    sampled_s: Array,
    co2_pct: Array,
    typed: Sequence[tuple[float, float]],
    reach_s: tuple[float, float],
    prior: Prior,
) -> Shift | None:
    """The shift, sought from `reach_s[0]` to `reach_s[1]`; None where no change falls into the covered
    time, or none shows.

    changes    turns and changes of rate: moment by the log's clock, s, and the rate that runs then
    known      from when to when it is known how the boiler ran, by the log's clock, s; rising
    sampled_s, co2_pct  the series (n,) in order of time: its own clock, s; dry volume percent
    typed      readings in the log: s by its clock, dry volume percent
    """
    changes = sorted(changes)
    if changes:  # what is far from all of them tells nothing
        ends_s = changes[0][0] - reach_s[1] - MEMORY_S, changes[-1][0] - reach_s[0] + MEMORY_S
        near = (sampled_s > ends_s[0]) & (sampled_s < ends_s[1])
        sampled_s, co2_pct = sampled_s[near], co2_pct[near]
    if not changes or sampled_s.size < 3:
        return None
    apart_s = max(SHARED_S, (sampled_s[-1] - sampled_s[0]) / MOST_SAMPLES)
    _, every = np.unique(sampled_s // apart_s, return_index=True)
    sampled_s, co2_pct = sampled_s[every], co2_pct[every]
    first_s, last_s = sampled_s[0] + reach_s[0], sampled_s[-1] + reach_s[1]
    changes = [change for change in changes if first_s - MEMORY_S < change[0] < last_s]
    seen = np.array([at_s for at_s, _ in changes])
    if not any(first_s < at_s < last_s for at_s in seen):
        return None
    rates = np.array(["", *(rate for _, rate in changes)])
    level_var = LEVEL_VAR_RATIO * ((rates[:, None] == rates) + TURN_SHARE * np.eye(rates.size))
    mean, (short, long) = float(co2_pct.mean()), prior.time_constant_s
    deads_s, constants_s = np.linspace(*prior.dead_time_s, 5), short * (long / short) ** np.linspace(0.0, 1.0, 6)
    read = np.array([pair for pair in typed if first_s < pair[0] < last_s]).reshape(-1, 2)

    from_s, until_s = np.array(known).T

    @cache
    def trust(less_s: float) -> Array:
        """1 for samples of times when it is known how the boiler ran; else next to nothing."""
        at_s = sampled_s + less_s + deads_s[2]
        place = np.searchsorted(from_s, at_s, "right")
        return np.where((place > 0) & (at_s <= until_s[place - 1]), 1.0, OUTSIDE)

    def series(less_s: float, constant_s: float) -> Array:
        return _products(sampled_s + less_s - seen[:, None], co2_pct - mean, constant_s, trust(less_s))

    log_likelihood = _likelihood(level_var, every.size + len(read))
    one_level = _likelihood(np.full((1, 1), LEVEL_VAR_RATIO), every.size + len(read))

    # the shift less the dead time, roughly, then finely
    rough = np.arange(reach_s[0] - deads_s[-1], reach_s[1], COARSE_S)
    trusted = np.array([np.log(trust(less_s)).sum() for less_s in rough])
    log_chance = np.array([max(log_likelihood(series(less_s, c)) for c in constants_s[1::2]) for less_s in rough])
    log_chance += trusted
    best = int(log_chance.argmax())
    still = one_level(_products(sampled_s - np.zeros((0, 1)), co2_pct - mean, 1.0, trust(rough[best])))
    if log_chance[best] < still + trusted[best] + SEEN:
        return None
    likely = rough[log_chance > log_chance.max() - WORTH_A_LOOK]
    around = np.arange(-2 * COARSE_S, 2 * COARSE_S + FINE_S, FINE_S)
    fine = np.unique((likely[:, None] + around).round(3))
    trusted = np.array([np.log(trust(less_s)).sum() for less_s in fine])
    shifts_s, chances = [], []
    for constant_s in constants_s:
        shown = [series(less_s, constant_s) for less_s in fine]
        for dead_s in deads_s:
            of_read = _products(read[:, 0] - dead_s - seen[:, None], read[:, 1] - mean, constant_s, 1.0)
            shifts_s.append(fine + dead_s)
            chances.append(trusted + [log_likelihood(one + of_read) for one in shown])
    shift_s, log_chance = np.concatenate(shifts_s), np.concatenate(chances)
    order = np.argsort(shift_s)
    weight = np.exp(log_chance - log_chance.max())[order]
    weight /= weight.sum()
    low, high = np.interp((0.05, 0.95), np.cumsum(weight), shift_s[order])
    return Shift(float(weight @ shift_s[order]), float(low) - TYPED_S, float(high) + TYPED_S)


def _products(elapsed_s: Array, y: Array, constant_s: float, trust: Array | float) -> Array:
    """(W, y)'(W, y) of (1), from the time since each change (K, n), less the dead time; rows times their `trust`."""
    joined = np.column_stack([superposition_weights(step_response(elapsed_s.T, 0.0, constant_s)), y])
    joined *= np.reshape(trust, (-1, 1))
    products: Array = joined.T @ joined
    return products


def _likelihood(level_var: Array, readings: int) -> Callable[[Array], float]:
    """Log-likelihood of (1) from its products, levels and noise integrated out, but for what is always the same."""
    precision, shape = np.linalg.inv(level_var), NOISE_SHAPE + readings / 2
    log_prior = -np.linalg.slogdet(level_var)[1] / 2

    def log_likelihood(products: Array) -> float:
        half = np.linalg.cholesky(products[:-1, :-1] + precision)
        projected = np.linalg.solve(half, products[:-1, -1])
        scale = NOISE_SHAPE * NOISE_SD_PCT**2 + (products[-1, -1] - float(projected @ projected)) / 2
        return float(log_prior - np.log(half.diagonal()).sum() - shape * np.log(scale))

    return log_likelihood
