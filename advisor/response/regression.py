"""Bayesian linear regression over a set of hypotheses at once, in closed form.

Every hypothesis has the same unknowns b (D of them), which enter a reading y linearly:

    y = x' b + e,   e ~ N(0, s^2 (1 + r))                                                  (1)

with the normal-inverse-gamma prior  s^2 ~ IG(shape, scale),  b | s^2 ~ N(mean, s^2 cov). A reading updates it exactly
(recursive least squares with a prior; Gelman et al., Bayesian Data Analysis, 3rd ed., ch. 14; from memory):

    q = 1 + r + x' cov x,   k = cov x / q,   u = y - x' mean                                 (2)
    mean += k u;  cov -= k (cov x)';  shape += 1/2;  scale += u^2 / (2 q)                     (3)

The reading's density under each hypothesis is Student's t with 2 shape degrees of freedom, location x' mean and squared
scale q scale / shape; it updates the hypotheses' weights.                                    (4)
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from advisor.response.predictive import Mixture

Array = NDArray[np.float64]
NO_MEANS: Mapping[int, float] = MappingProxyType({})
Row = Sequence[Array | float]  # D regressors, each a number or an array that broadcasts over hypotheses


@dataclass(frozen=True)
class Posterior:
    """Posterior of D unknowns under hypotheses laid out on axes of shape H.

    mean        (D, *H)
    cov         (D, D, *H), in units of the noise variance
    shape       number
    scale       (*H), squared units of the reading
    log_weight  (*H), not normalised: log of the prior probability times the density of all readings so far
    """

    mean: Array
    cov: Array
    shape: float
    scale: Array
    log_weight: Array

    @cached_property
    def weight(self) -> Array:
        """Probability of each hypothesis (*H), summing to 1."""
        weight: Array = np.exp(self.log_weight - self.log_weight.max())
        weight /= weight.sum()
        return weight

    @property
    def noise_var(self) -> Array:
        """Square of the expected standard deviation of one reading (*H), squared units of the reading."""
        return self.scale * expected_sd_share(self.shape)

    @property
    def df(self) -> float:
        """Degrees of freedom of every Student's t that this posterior predicts."""
        return 2 * self.shape


def expected_sd_share(shape: float) -> float:
    """E[s]^2 / scale of s^2 ~ IG(shape > 1/2, scale): (G(shape - 1/2) / G(shape))^2, a ratio; own derivation."""
    return math.exp(2 * (math.lgamma(shape - 0.5) - math.lgamma(shape)))


def project(posterior: Posterior, row: Row) -> tuple[Array, Array, Array]:
    """cov x (D, *H) and x' cov x (*H), in noise variances, and x' mean (*H). Regressors of exactly 0 cost nothing."""
    parts = [(j, x) for j, x in enumerate(row) if np.ndim(x) or x != 0]
    cov_x = np.zeros_like(posterior.mean)
    for j, x in parts:
        cov_x += posterior.cov[:, j] * x
    quad = np.zeros_like(posterior.scale)
    location = np.zeros_like(posterior.scale)
    for j, x in parts:
        quad += cov_x[j] * x
        location += posterior.mean[j] * x
    return cov_x, quad, location


def update(posterior: Posterior, row: Row, value: float, extra_noise: Array | float = 0.0) -> Posterior:
    """Posterior after one reading `value`; `extra_noise` is r of equation (1), in noise variances, 0 or more."""
    cov_x, quad, location = project(posterior, row)
    q = 1 + extra_noise + quad  # (2)
    innovation = value - location
    gain = cov_x / q
    squared = innovation**2 / q
    df = posterior.df
    log_density = (  # (4), with squared scale q scale / shape
        math.lgamma((df + 1) / 2)
        - math.lgamma(df / 2)
        - 0.5 * np.log(2 * np.pi * q * posterior.scale)
        - (df + 1) / 2 * np.log1p(squared / (2 * posterior.scale))
    )
    told = gain[:, None] * cov_x[None]
    return Posterior(  # (3)
        mean=posterior.mean + gain * innovation,
        cov=np.subtract(posterior.cov, told, out=told),  # no second array of this size
        shape=posterior.shape + 0.5,
        scale=posterior.scale + squared / 2,
        log_weight=posterior.log_weight + log_density,
    )


def add_process_noise(posterior: Posterior, direction: Row, var: Array | float) -> Posterior:
    """cov += var d d', with d the direction (D numbers) and var (*H) >= 0, in noise variances."""
    cov = posterior.cov.copy()
    for i, a in enumerate(direction):
        for j, b in enumerate(direction):
            if np.ndim(a) or np.ndim(b) or (a != 0 and b != 0):
                cov[i, j] += var * (a * b)
    return replace(posterior, cov=cov)


def absorb(posterior: Posterior, index: int, into: Mapping[int, float]) -> Posterior:
    """Add unknown `index` to other unknowns, times the factor (a ratio) of each in `into`; their sum is exact."""
    mean, cov = posterior.mean.copy(), posterior.cov.copy()
    for other, factor in into.items():
        mean[other] += factor * mean[index]
        cov[other] += factor * cov[index]
    for other, factor in into.items():
        cov[:, other] += factor * cov[:, index]
    return replace(posterior, mean=mean, cov=cov)


def reset(
    posterior: Posterior,
    var: Mapping[int, Array | float],
    mean_at: Mapping[int, float] = NO_MEANS,
    *,
    in_place: bool = False,
) -> Posterior:
    """Forget unknowns and start them again at `var` (*H, in noise variances) and `mean_at`, 0 where it names none.

    in_place  change the arrays of `posterior`, which is then not to be used any more
    """
    mean, cov = (posterior.mean, posterior.cov) if in_place else (posterior.mean.copy(), posterior.cov.copy())
    for index, value in var.items():
        mean[index] = mean_at.get(index, 0.0)
        cov[index, :] = 0.0
        cov[:, index] = 0.0
        cov[index, index] = value
    return replace(posterior, mean=mean, cov=cov)


def select(posterior: Posterior, keep: Sequence[NDArray[np.intp]]) -> Posterior:
    """The posterior at some indices along each axis of H: `keep` holds one list an axis, of each index at most once."""

    def pick(values: Array) -> Array:
        for axis, indices in enumerate(keep, start=values.ndim - len(keep)):
            values = values if indices.size == values.shape[axis] else values.take(indices, axis=axis)
        return values

    return Posterior(
        pick(posterior.mean), pick(posterior.cov), posterior.shape, pick(posterior.scale), pick(posterior.log_weight)
    )


def forecast(posterior: Posterior, row: Row, noise: Array | float = 0.0) -> Mixture:
    """Forecast of x' b + error; `noise`: variance of that error in noise variances, (*H) or a number, >= 0."""
    _, quad, location = project(posterior, row)
    return as_mixture(posterior, location, quad + noise)


def as_mixture(posterior: Posterior, location: Array, var: Array) -> Mixture:
    """Mixture from location (*H) and variance in noise variances (*H) under each hypothesis."""
    scale = np.sqrt(np.maximum(var * posterior.scale, 1e-16) / posterior.shape)
    return Mixture(location.ravel(), scale.ravel(), posterior.weight.ravel(), posterior.df)


@dataclass(frozen=True)
class Pruned:
    """A posterior without its hopeless hypotheses: same numbers, hypotheses in one line (K,).

    index   which hypotheses of the full layout (*H) were kept, as indices into it laid flat
    layout  the full layout, H
    """

    posterior: Posterior
    index: NDArray[np.intp]
    layout: tuple[int, ...]

    def pick(self, row: Row) -> Row:
        """Regressors laid out over (*H) as regressors of the kept hypotheses."""
        return [self.take(x) if np.ndim(x) else x for x in row]

    def take(self, values: Array | float) -> Array:
        """A quantity of any unit laid out over (*H), or one that broadcasts to it, for the kept hypotheses."""
        return np.broadcast_to(values, self.layout).reshape(-1)[self.index]


def prune(posterior: Posterior, drop_below: float = 1e-4) -> Pruned:
    """Drop hypotheses whose probability is under `drop_below` of the likeliest one's; the forecast hardly notices."""
    weight = posterior.log_weight.reshape(-1)
    index = np.flatnonzero(weight > weight.max() + math.log(drop_below))
    size = posterior.mean.shape[0]
    return Pruned(
        Posterior(
            mean=posterior.mean.reshape(size, -1)[:, index],
            cov=posterior.cov.reshape(size, size, -1)[:, :, index],
            shape=posterior.shape,
            scale=posterior.scale.reshape(-1)[index],
            log_weight=weight[index],
        ),
        index,
        posterior.scale.shape,
    )
