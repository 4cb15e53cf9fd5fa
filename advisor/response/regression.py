"""Bayesian linear regression over a set of hypotheses at once, in closed form.

Every hypothesis has the same unknowns b (D of them), which enter a reading y linearly:

    y = x' b + e,   e ~ N(0, s^2 (1 + r))                                                  (1)

with the normal-inverse-gamma prior  s^2 ~ IG(shape, scale),  b | s^2 ~ N(mean, s^2 cov). A reading
updates it exactly (recursive least squares with a prior; Gelman et al., Bayesian Data Analysis,
3rd ed., ch. 14; from memory):

    q = 1 + r + x' cov x,   k = cov x / q,   u = y - x' mean                                 (2)
    mean += k u;  cov -= k (cov x)';  shape += 1/2;  scale += u^2 / (2 q)                     (3)

The reading's chance under each hypothesis is Student's t with 2 shape degrees of freedom, location
x' mean and squared width q scale / shape; its density updates the hypotheses' weights.           (4)
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Row = Sequence[Array | float]  # D regressors, each a number or an array that broadcasts over hypotheses


@dataclass(frozen=True)
class Fit:
    """Posterior of D unknowns under hypotheses laid out on axes of shape H.

    mean (D, *H); cov (D, D, *H) in units of the noise variance; shape (number); scale (*H) in squared
    units of the reading; log_weight (*H), not normalised: natural log of the hypothesis's chance before any reading
    times the density of all readings so far, per unit of the reading each.
    """

    mean: Array
    cov: Array
    shape: float
    scale: Array
    log_weight: Array

    @cached_property
    def weight(self) -> Array:
        """Chance of each hypothesis (*H), summing to 1."""
        weight: Array = np.exp(self.log_weight - self.log_weight.max())
        weight /= weight.sum()
        return weight

    @property
    def noise_var(self) -> Array:
        """Square of one reading's expected spread under each hypothesis (*H), squared units of the reading."""
        return self.scale * noise_share(self.shape)

    @property
    def degrees_of_freedom(self) -> float:
        """Degrees of freedom of every Student's t that this fit predicts."""
        return 2 * self.shape


def noise_share(shape: float) -> float:
    """E[s]^2 over the scale of s^2 ~ IG(shape > 1/2, scale): (G(shape - 1/2) / G(shape))^2, a ratio; own derivation."""
    return math.exp(2 * (math.lgamma(shape - 0.5) - math.lgamma(shape)))


def spread(fit: Fit, row: Row) -> tuple[Array, Array, Array]:
    """cov x (D, *H), x' cov x (*H), in noise variances, and x' mean (*H).

    Regressors that are exactly 0 cost nothing.
    """
    parts = [(j, x) for j, x in enumerate(row) if np.ndim(x) or x != 0]
    cov_x = np.zeros_like(fit.mean)
    for j, x in parts:
        cov_x += fit.cov[:, j] * x
    quad = np.zeros_like(fit.scale)
    location = np.zeros_like(fit.scale)
    for j, x in parts:
        quad += cov_x[j] * x
        location += fit.mean[j] * x
    return cov_x, quad, location


def update(fit: Fit, row: Row, value: float, extra_noise: Array | float = 0.0) -> Fit:
    """Posterior after one reading `value`; `extra_noise` is r of equation (1), in noise variances, 0 or more."""
    cov_x, quad, location = spread(fit, row)
    q = 1 + extra_noise + quad  # (2)
    surprise = value - location
    gain = cov_x / q
    squared = surprise**2 / q
    scale = fit.scale + squared / 2  # (3)
    freedom = fit.degrees_of_freedom
    log_density = (  # (4), with width^2 = q scale / shape
        math.lgamma((freedom + 1) / 2)
        - math.lgamma(freedom / 2)
        - 0.5 * np.log(2 * np.pi * q * fit.scale)
        - (freedom + 1) / 2 * np.log1p(squared / (2 * fit.scale))
    )
    return Fit(
        mean=fit.mean + gain * surprise,
        cov=fit.cov - gain[:, None] * cov_x[None],
        shape=fit.shape + 0.5,
        scale=scale,
        log_weight=fit.log_weight + log_density,
    )


def loosen(fit: Fit, direction: Row, extra_var: Array | float) -> Fit:
    """Add process noise: cov += extra_var d d', with d the direction (D numbers), extra_var (*H) >= 0."""
    cov = fit.cov.copy()
    for i, a in enumerate(direction):
        for j, b in enumerate(direction):
            if np.ndim(a) or np.ndim(b) or (a != 0 and b != 0):
                cov[i, j] += extra_var * (a * b)
    return replace(fit, cov=cov)


def fold(fit: Fit, index: int, into: Mapping[int, float]) -> Fit:
    """Add unknown `index` to other unknowns, times the factor (a ratio) of each in `into`; their sum is exact."""
    mean, cov = fit.mean.copy(), fit.cov.copy()
    for other, factor in into.items():
        mean[other] += factor * mean[index]
        cov[other] += factor * cov[index]
    for other, factor in into.items():
        cov[:, other] += factor * cov[:, index]
    return replace(fit, mean=mean, cov=cov)


def renew(fit: Fit, index: int, var: Array | float, at: float = 0.0) -> Fit:
    """Forget unknown `index` and start it again at mean `at` and variance `var` (*H, in noise variances)."""
    mean, cov = fit.mean.copy(), fit.cov.copy()
    mean[index] = at
    cov[index, :] = 0.0
    cov[:, index] = 0.0
    cov[index, index] = var
    return replace(fit, mean=mean, cov=cov)


def only(fit: Fit, keep: Sequence[NDArray[np.intp]]) -> Fit:
    """The fit for some places along each axis of H: `keep` holds one list of places an axis."""

    def pick(values: Array) -> Array:
        for axis, places in enumerate(keep, start=values.ndim - len(keep)):
            values = values.take(places, axis=axis)
        return values

    return Fit(pick(fit.mean), pick(fit.cov), fit.shape, pick(fit.scale), pick(fit.log_weight))


def refit(fit: Fit, rows: Array, values: Array, noise: Array) -> Fit:
    """The same posterior as row-by-row updates, from all readings at once (one hypothesis, H = ()).

    rows (n, D); values (n,); noise (n, n): covariance of the readings' errors in noise variances.
    Uses the normal equations of generalised least squares with a prior.
    """
    precision = np.linalg.inv(noise)
    prior_precision = np.linalg.inv(fit.cov)
    cov: Array = np.linalg.inv(prior_precision + rows.T @ precision @ rows).astype(np.float64)
    mean = cov @ (prior_precision @ fit.mean + rows.T @ precision @ values)
    left, moved = values - rows @ mean, mean - fit.mean
    squared = float(left @ precision @ left + moved @ prior_precision @ moved)
    shape, count = fit.shape + len(values) / 2, len(values)
    scale: Array = fit.scale + squared / 2
    log_density = (
        math.lgamma(shape)
        - math.lgamma(fit.shape)
        + fit.shape * np.log(fit.scale)
        - shape * np.log(scale)
        - count / 2 * np.log(2 * np.pi)
        - 0.5 * (np.linalg.slogdet(noise)[1] + np.linalg.slogdet(fit.cov)[1] - np.linalg.slogdet(cov)[1])
    )
    return Fit(mean, cov, shape, scale, fit.log_weight + log_density)


@lru_cache(maxsize=256)
def _t_table(freedom: float) -> tuple[float, Array]:
    """Reach R and the chance of Student's t lying below sinh(u), at u evenly from -R to R; linear in u between them
    it errs by less than 1e-6.

    The density summed by Simpson's rule over points that are dense in the middle (t = sinh u). scipy gives the same
    but takes a third of a second to import.
    """
    reach, count = (5.0, 8001) if freedom > 8 else (9.0, 16001)  # out to 74 or 4000 widths
    steps = np.linspace(-reach, reach, count)
    points: Array = np.sinh(steps)
    density = np.exp(-(freedom + 1) / 2 * np.log1p(points**2 / freedom)) * np.cosh(steps)
    pieces = density[:-2:2] + 4 * density[1:-1:2] + density[2::2]
    chance: Array = np.concatenate([[0.0], np.cumsum(pieces)])
    return reach, chance / chance[-1]


@dataclass(frozen=True)
class Mixture:
    """A forecast: Student's t under each hypothesis, mixed by the hypotheses' chances.

    location, width, weight: same shape, any; freedom: degrees of freedom shared by all.
    """

    location: Array
    width: Array
    weight: Array
    freedom: float

    def below(self, value: float) -> float:
        """Chance of lying below `value`, 0 to 1; error under 1e-6 for freedom from 2 up."""
        below, _, _ = self._below((value - self.location) / self.width)
        return min(float(self.weight @ below), 1.0)  # weights add up to 1 but for rounding

    def _below(self, widths: Array) -> tuple[Array, Array, float]:
        """Chance of lying below so many widths above the middle, its rise to the next point, the points' distance."""
        reach, chance = _t_table(self.freedom)
        last = chance.size - 1
        step = 2 * reach / last
        place = (np.arcsinh(widths) + reach) / step
        place = np.minimum(np.maximum(place, 0.0), last - 1e-9)
        left = place.astype(np.intp)
        below = chance[left]
        rise = chance[left + 1] - below
        return below + (place - left) * rise, rise, step

    def between(self, low: float, high: float) -> float:
        """Chance of lying from low to high, 0 to 1."""
        return max(0.0, self.below(high) - self.below(low))

    @property
    def mean(self) -> float:
        """Expected value, in the unit of `location`."""
        return float(self.weight @ self.location)

    @property
    def var(self) -> float:
        """Variance, in the squared unit of `location` (needs freedom > 2)."""
        within = float(self.weight @ (self.width**2)) * self.freedom / (self.freedom - 2)
        return within + float(self.weight @ (self.location - self.mean) ** 2)

    def quantile(self, chance: float) -> float:
        """Value with `chance` (0 to 1) below it, to 1e-5 of the mixture's spread.

        Newton's steps from about where the normal law has it, halving the bracket wherever one would leave it.
        """
        spread = max(math.sqrt(self.var), 1e-12)
        value = self.mean + spread * math.log(chance / (1 - chance)) / 1.7
        low, high = -math.inf, math.inf
        while high - low > 1e-5 * spread:
            widths = (value - self.location) / self.width
            below, rise, step = self._below(widths)
            miss = float(self.weight @ below) - chance
            low, high = (value, high) if miss < 0 else (low, value)
            density = float(self.weight @ (rise / (np.sqrt(1 + widths**2) * self.width))) / step
            move = -miss / max(density, 1e-9 / spread)
            move = min(max(move, -4 * spread), 4 * spread)
            if abs(move) < 1e-5 * spread:
                return value + move
            value = value + move if low < value + move < high else (low + high) / 2
        return (low + high) / 2


def forecast(fit: Fit, row: Row, noise: Array | float = 0.0) -> Mixture:
    """Forecast of x' b + error; `noise`: variance of that error in noise variances, (*H) or a number, >= 0."""
    _, quad, location = spread(fit, row)
    return as_mixture(fit, location, quad + noise)


def as_mixture(fit: Fit, location: Array, var: Array) -> Mixture:
    """Mixture from location (*H) and variance in noise variances (*H) under each hypothesis."""
    width = np.sqrt(np.maximum(var * fit.scale, 1e-16) / fit.shape)
    return Mixture(location.ravel(), width.ravel(), fit.weight.ravel(), fit.degrees_of_freedom)


@dataclass(frozen=True)
class Likely:
    """A fit without its hopeless hypotheses: same numbers, hypotheses in one line (K,).

    place  which hypotheses of the full layout (*H) were kept, as indices into it laid flat
    """

    fit: Fit
    place: NDArray[np.intp]
    layout: tuple[int, ...]

    def pick(self, row: Row) -> Row:
        """Regressors laid out over (*H) as regressors of the kept hypotheses."""
        return [self.take(x) if np.ndim(x) else x for x in row]

    def take(self, values: Array | float) -> Array:
        """A figure of any unit laid out over (*H), or one that broadcasts to it, for the kept hypotheses."""
        return np.broadcast_to(values, self.layout).reshape(-1)[self.place]


def likely(fit: Fit, drop_below: float = 1e-4) -> Likely:
    """Drop hypotheses whose chance is under `drop_below` of the likeliest one's; the forecast hardly notices."""
    weight = fit.log_weight.reshape(-1)
    place = np.flatnonzero(weight > weight.max() + math.log(drop_below))
    size = fit.mean.shape[0]
    return Likely(
        Fit(
            mean=fit.mean.reshape(size, -1)[:, place],
            cov=fit.cov.reshape(size, size, -1)[:, :, place],
            shape=fit.shape,
            scale=fit.scale.reshape(-1)[place],
            log_weight=weight[place],
        ),
        place,
        fit.scale.shape,
    )
