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
    changes, every = sorted(changes), _worth_a_look(changes, sampled_s, reach_s)
    sampled_s, co2_pct = sampled_s[every], co2_pct[every]
    if sampled_s.size < 3:
        return None
    first_s, last_s = sampled_s[0] + reach_s[0], sampled_s[-1] + reach_s[1]
    changes = [change for change in changes if first_s - MEMORY_S < change[0] < last_s]
    typed = [reading for reading in typed if first_s < reading[0] < last_s]
    if not any(at_s > first_s for at_s, _ in changes):
        return None
    fit, (short, long) = _Fit(changes, known, sampled_s, co2_pct, typed), prior.time_constant_s
    deads_s, constants_s = np.linspace(*prior.dead_time_s, 5), short * (long / short) ** np.linspace(0.0, 1.0, 6)
    # the shift less the dead time, roughly, then finely
    rough = np.arange(reach_s[0] - deads_s[-1], reach_s[1], COARSE_S)
    trust = [fit.trust(less_s + deads_s[2]) for less_s in rough]
    likelihood = [
        max(fit.log_likelihood(fit.shown(less_s, c, weight), weight) for c in constants_s[1::2])
        for less_s, weight in zip(rough, trust, strict=True)
    ]
    best = int(np.argmax(likelihood))
    if likelihood[best] < fit.log_likelihood_still(trust[best]) + SEEN:
        return None
    likely = rough[np.array(likelihood) > likelihood[best] - WORTH_A_LOOK]
    fine = np.unique((likely[:, None] + np.arange(-2 * COARSE_S, 2 * COARSE_S + FINE_S, FINE_S)).round(3))
    trust = [fit.trust(less_s + deads_s[2]) for less_s in fine]
    shifts_s, chances = [], []
    for constant_s in constants_s:
        shown = [fit.shown(less_s, constant_s, weight) for less_s, weight in zip(fine, trust, strict=True)]
        for dead_s in deads_s:
            read = fit.read(dead_s, constant_s)
            shifts_s.append(fine + dead_s)
            chances.append([fit.log_likelihood(one + read, weight) for one, weight in zip(shown, trust, strict=True)])
    shift_s, chance = np.concatenate(shifts_s), np.concatenate(chances)
    order = np.argsort(shift_s)
    weight = np.exp(chance - chance.max())[order]
    weight /= weight.sum()
    low, high = np.interp((0.05, 0.95), np.cumsum(weight), shift_s[order])
    return Shift(float(weight @ shift_s[order]), float(low) - TYPED_S, float(high) + TYPED_S)


def _worth_a_look(
    changes: Sequence[tuple[float, str]], sampled_s: Array, reach_s: tuple[float, float]
) -> NDArray[np.intp]:
    """Indices of samples that may lie near a change, thinned to those whose errors are their own."""
    if not changes:
        return np.zeros(0, int)
    after, before = (
        sampled_s > changes[0][0] - reach_s[1] - MEMORY_S,
        sampled_s < changes[-1][0] - reach_s[0] + MEMORY_S,
    )
    near = np.flatnonzero(after & before)
    if near.size == 0:
        return near
    apart_s = max(SHARED_S, (sampled_s[near[-1]] - sampled_s[near[0]]) / MOST_SAMPLES)
    return near[np.unique(sampled_s[near] // apart_s, return_index=True)[1]]


class _Fit:
    """Equation (1) of one series, its levels and noise integrated out; arguments as of `find_shift`."""

    def __init__(
        self,
        changes: Sequence[tuple[float, str]],
        known: Sequence[tuple[float, float]],
        sampled_s: Array,
        co2_pct: Array,
        typed: Sequence[tuple[float, float]],
    ) -> None:
        self._seen_s, self._sampled_s = np.array([at_s for at_s, _ in changes]), sampled_s
        self._from_s, self._until_s = np.array(known).T
        read_s, read_pct = np.reshape(np.array(typed, float), (-1, 2)).T
        self._y, self._read_s, self._read_y = co2_pct - co2_pct.mean(), read_s, read_pct - co2_pct.mean()
        rates = np.array(["", *(rate for _, rate in changes)])
        level_var = LEVEL_VAR_RATIO * ((rates[:, None] == rates) + TURN_SHARE * np.eye(rates.size))
        self._level_precision, self._log_prior = np.linalg.inv(level_var), -np.linalg.slogdet(level_var)[1] / 2
        self._shape = NOISE_SHAPE + (sampled_s.size + read_s.size) / 2

    def trust(self, shift_s: float) -> Array:
        """1 for samples of times when it is known how the boiler ran; else next to nothing."""
        at_s = self._sampled_s + shift_s
        place = np.searchsorted(self._from_s, at_s, "right")
        return np.where((place > 0) & (at_s <= self._until_s[place - 1]), 1.0, OUTSIDE)

    def shown(self, less_s: float, constant_s: float, trust: Array) -> Array:
        """(W, y)'(W, y) of the series, with the shift less the dead time."""
        return self._products(self._sampled_s + less_s, self._y, constant_s, trust)

    def read(self, dead_s: float, constant_s: float) -> Array:
        """The same of the readings that were typed."""
        return self._products(self._read_s - dead_s, self._read_y, constant_s, np.ones(self._read_s.size))

    def _products(self, at_s: Array, y: Array, constant_s: float, trust: Array) -> Array:
        shares = step_response(at_s[:, None] - self._seen_s, 0.0, constant_s)
        joined = trust[:, None] * np.column_stack([superposition_weights(shares), y])
        products: Array = joined.T @ joined
        return products

    def log_likelihood(self, products: Array, trust: Array) -> float:
        """Log-likelihood, but for what is the same under every hypothesis."""
        return self._integrated(products, self._level_precision, self._log_prior) + float(np.log(trust).sum())

    def log_likelihood_still(self, trust: Array) -> float:
        """The same of one level all along: no change shows."""
        joined = trust[:, None] * np.column_stack([np.ones_like(self._y), self._y])
        precision, log_prior = np.full((1, 1), 1 / LEVEL_VAR_RATIO), -np.log(LEVEL_VAR_RATIO) / 2
        return self._integrated(joined.T @ joined, precision, log_prior) + float(np.log(trust).sum())

    def _integrated(self, products: Array, precision: Array, log_prior: float) -> float:
        half = np.linalg.cholesky(products[:-1, :-1] + precision)
        projected = np.linalg.solve(half, products[:-1, -1])
        scale = NOISE_SHAPE * NOISE_SD_PCT**2 + (products[-1, -1] - float(projected @ projected)) / 2
        return float(log_prior - np.log(half.diagonal()).sum() - self._shape * np.log(scale))
