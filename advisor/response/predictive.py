"""Forecasts: mixtures of Student's t over hypotheses, with their own cdf and quantiles; conformity with accuracy.

scipy.stats gives the same (tests compare), but takes a third of a second to import.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from advisor.errors import RangeError

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Mixture:
    """A forecast: Student's t under each hypothesis, weighted by the hypotheses' probabilities.

    loc, scale, weight: same shape, any; df: degrees of freedom, shared by all.
    """

    loc: Array
    scale: Array
    weight: Array
    df: float

    def cdf(self, value: float) -> float:
        """Probability of lying below `value`, 0 to 1; error under 1e-6 for df from 2 up."""
        below, _, _ = self._cdf((value - self.loc) / self.scale)
        return min(float(self.weight @ below), 1.0)  # weights add up to 1 but for rounding

    def _cdf(self, standardised: Array) -> tuple[Array, Array, float]:
        """cdf of each t at standardised values, its rise to the next table entry, the step of the table."""
        reach, table = _t_table(self.df)
        last = table.size - 1
        step = 2 * reach / last
        place = (np.arcsinh(standardised) + reach) / step
        place = np.minimum(np.maximum(place, 0.0), last - 1e-9)
        left = place.astype(np.intp)
        below = table[left]
        rise = table[left + 1] - below
        return below + (place - left) * rise, rise, step

    def interval_prob(self, low: float, high: float) -> float:
        """Probability of lying from low to high, 0 to 1."""
        return max(0.0, self.cdf(high) - self.cdf(low))

    @property
    def mean(self) -> float:
        """Expected value, in the unit of `loc`."""
        return float(self.weight @ self.loc)

    @property
    def var(self) -> float:
        """Variance, in the squared unit of `loc` (needs df > 2)."""
        within = float(self.weight @ (self.scale**2)) * self.df / (self.df - 2)
        return within + float(self.weight @ (self.loc - self.mean) ** 2)

    def ppf(self, chance: float) -> float:
        """Quantile: the value with probability `chance` (0 to 1) below it, to 1e-5 of the standard deviation.

        Newton's steps from about where the normal law has it, halving the bracket wherever one would leave it.
        """
        sd = max(math.sqrt(self.var), 1e-12)
        value = self.mean + sd * math.log(chance / (1 - chance)) / 1.7
        low, high = -math.inf, math.inf
        while high - low > 1e-5 * sd:
            standardised = (value - self.loc) / self.scale
            below, rise, step = self._cdf(standardised)
            miss = float(self.weight @ below) - chance
            low, high = (value, high) if miss < 0 else (low, value)
            density = float(self.weight @ (rise / (np.sqrt(1 + standardised**2) * self.scale))) / step
            move = -miss / max(density, 1e-9 / sd)
            move = min(max(move, -4 * sd), 4 * sd)
            if abs(move) < 1e-5 * sd:
                return value + move
            value = value + move if low < value + move < high else (low + high) / 2
        return (low + high) / 2


@lru_cache(maxsize=256)
def _t_table(df: float) -> tuple[float, Array]:
    """Reach R and the cdf of Student's t at sinh(u), u evenly from -R to R; linear in u between, it errs by under 1e-6.

    The density summed by Simpson's rule over points that are dense in the middle (t = sinh u).
    """
    reach, count = (5.0, 8001) if df > 8 else (9.0, 16001)  # out to 74 or 4000 scales
    steps = np.linspace(-reach, reach, count)
    points: Array = np.sinh(steps)
    density = np.exp(-(df + 1) / 2 * np.log1p(points**2 / df)) * np.cosh(steps)
    pieces = density[:-2:2] + 4 * density[1:-1:2] + density[2::2]
    cdf: Array = np.concatenate([[0.0], np.cumsum(pieces)])
    return reach, cdf / cdf[-1]


def chance_truly_in_band(mean_pct: float, sd_pct: float, low_pct: float, high_pct: float, accuracy_pct: float) -> float:
    """Chance that the true CO2 lies in the band, the analyser's own accuracy counted in.

    mean_pct, sd_pct  what the readings say of the displayed settled CO2, taken as normal; sd above 0
    accuracy_pct      +/- limits of the analyser's error, every error within them as likely (u = a / sqrt(3))

    Conformity probability p = F(high) - F(low) of the sum of the two. Own integral of the normal distribution:
    with G(z) = z Phi(z) + phi(z), F(x) = sd / (2 a) (G((x - mean + a) / sd) - G((x - mean - a) / sd)).
    """
    if not (sd_pct > 0 and accuracy_pct >= 0 and low_pct < high_pct):
        raise RangeError("chance in band: a spread above 0, an accuracy of 0 or more and a rising band are needed")

    def below(edge: float) -> float:
        apart = edge - mean_pct
        if accuracy_pct < 1e-6 * sd_pct:
            return _phi_sum(apart / sd_pct)
        up, down = ((apart + sign * accuracy_pct) / sd_pct for sign in (1, -1))
        return sd_pct / (2 * accuracy_pct) * (_integral(up) - _integral(down))

    return min(1.0, max(0.0, below(high_pct) - below(low_pct)))


def _phi_sum(z: float) -> float:
    return math.erfc(-z / math.sqrt(2)) / 2


def _integral(z: float) -> float:
    return z * _phi_sum(z) + math.exp(-z * z / 2) / math.sqrt(2 * math.pi)
