"""Forecasts against scipy.stats: mixtures of Student's t, and the chance that the true CO2 lies in the band."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import integrate, optimize, stats

from advisor.errors import RangeError
from advisor.response.predictive import Mixture, chance_truly_in_band

MIXTURES = [
    Mixture(np.array([9.0]), np.array([0.05]), np.array([1.0]), 12.0),
    Mixture(np.array([8.7, 9.0, 9.4]), np.array([0.05, 0.3, 0.01]), np.array([0.2, 0.5, 0.3]), 12.0),
    Mixture(np.array([-5.0, 5.0]), np.array([0.01, 0.02]), np.array([0.5, 0.5]), 40.0),
    Mixture(np.array([0.0, 0.0]), np.array([1e-8, 3.0]), np.array([0.6, 0.4]), 3.0),
    Mixture(np.array([1.0, 2.0]), np.array([1.0, 1.0]), np.array([0.999, 0.001]), 200.0),
]


CHANCES = [0.001, 0.05, 0.3, 0.5, 0.95, 0.999]


def exact_below(mixture: Mixture, value: float) -> float:
    chance = stats.t.cdf(value, mixture.df, mixture.loc, mixture.scale)
    return float(mixture.weight @ chance)


@pytest.mark.parametrize("mixture", MIXTURES)
def test_chances_of_a_mixture(mixture: Mixture) -> None:
    """Chances below and between agree with scipy.stats.t to 1e-6, and are monotone from 0 to 1."""
    reach = 12 * np.sqrt(mixture.var)
    values = np.unique(np.concatenate([mixture.mean + np.linspace(-reach, reach, 301), mixture.loc]))
    below = np.array([mixture.cdf(float(value)) for value in values])
    assert below == pytest.approx([exact_below(mixture, value) for value in values], abs=1e-6)
    assert (np.diff(below) >= 0).all()
    low, high = float(values[100]), float(values[180])
    expected = exact_below(mixture, high) - exact_below(mixture, low)
    assert mixture.interval_prob(low, high) == pytest.approx(expected, abs=2e-6)
    assert mixture.interval_prob(high, low) == 0


@pytest.mark.parametrize("chance", CHANCES)
@pytest.mark.parametrize("mixture", MIXTURES)
def test_quantiles_of_a_mixture(mixture: Mixture, chance: float) -> None:
    """A quantile has its chance below it by scipy.stats.t, give or take 2e-6 of chance or of the spread."""
    value, step = mixture.ppf(chance), 2e-6 * float(np.sqrt(mixture.var))
    assert exact_below(mixture, value - step) - 2e-6 <= chance <= exact_below(mixture, value + step) + 2e-6
    if len(mixture.weight) == 1:
        exact = optimize.brentq(lambda v: exact_below(mixture, v) - chance, 0, 20, xtol=1e-12)
        assert value == pytest.approx(exact, abs=1e-4 * mixture.scale[0])


@pytest.mark.parametrize("unit", [1e-6, 1e6])
@pytest.mark.parametrize("mixture", MIXTURES)
def test_quantiles_do_not_care_for_the_unit(mixture: Mixture, unit: float) -> None:
    """The same forecast in another unit and from another zero has the same quantiles in that unit."""
    other = replace(mixture, loc=3 + unit * mixture.loc, scale=unit * mixture.scale)
    spread = float(np.sqrt(mixture.var))
    for chance in CHANCES:
        assert (other.ppf(chance) - 3) / unit == pytest.approx(mixture.ppf(chance), abs=1e-5 * spread)


@pytest.mark.parametrize("mixture", MIXTURES)
def test_mean_and_variance_of_a_mixture(mixture: Mixture) -> None:
    """Mean and variance are the mixed moments of scipy.stats.t."""
    parts = [stats.t(mixture.df, loc, width) for loc, width in zip(mixture.loc, mixture.scale, strict=True)]
    mean = sum(w * part.mean() for w, part in zip(mixture.weight, parts, strict=True))
    second = sum(w * (part.var() + part.mean() ** 2) for w, part in zip(mixture.weight, parts, strict=True))
    assert mixture.mean == pytest.approx(mean, rel=1e-12, abs=1e-12)
    assert mixture.var == pytest.approx(second - mean**2, rel=1e-9)


# --- conformity with the analyser's accuracy -----------------------------------------------------------


@pytest.mark.parametrize(("chance", "z"), [(0.80, 0.8416), (0.90, 1.2816), (0.95, 1.6449), (0.99, 2.3263)])
def test_conformity_at_a_guard_band(chance: float, z: float) -> None:
    """A value z spreads inside one edge of a wide band conforms with the tabled chance: JCGM 106:2012, numbers [X]."""
    assert chance_truly_in_band(9.4 - 0.05 * z, 0.05, 0.0, 9.4, 0.0) == pytest.approx(chance, abs=2e-5)


@pytest.mark.parametrize("accuracy", [1e-9, 0.02, 0.05, 0.2, 0.5])
@pytest.mark.parametrize(("mean", "sd"), [(9.0, 0.05), (9.15, 0.05), (9.39, 0.1), (9.2, 0.3)])
def test_chance_with_the_analysers_accuracy_is_the_integral(mean: float, sd: float, accuracy: float) -> None:
    """scipy's numerical integral over every error within +/- accuracy, each as likely: JCGM 100:2008 4.3.7 [M]."""

    def inside(error: float) -> float:
        shifted = stats.norm(mean + error, sd)
        return float(shifted.cdf(9.4) - shifted.cdf(9.0))

    expected = integrate.quad(inside, -accuracy, accuracy)[0] / (2 * accuracy)
    assert chance_truly_in_band(mean, sd, 9.0, 9.4, accuracy) == pytest.approx(expected, abs=1e-8)


@pytest.mark.parametrize(("mean", "accuracy"), [(9.0, 0.2), (9.2, 0.4)])
def test_with_a_tiny_spread_only_the_share_inside_counts(mean: float, accuracy: float) -> None:
    """Half of the analyser's range lies in the band."""
    assert chance_truly_in_band(mean, 1e-6, 9.0, 9.4, accuracy) == pytest.approx(0.5, abs=1e-4)


@pytest.mark.parametrize("stated", [(9.2, 0.0, 9.0, 9.4, 0.1), (9.2, 0.1, 9.0, 9.4, -0.1), (9.2, 0.1, 9.4, 9.4, 0.1)])
def test_a_chance_of_what_can_not_be_is_refused(stated: tuple[float, float, float, float, float]) -> None:
    """No spread, an accuracy below 0, a band without width."""
    with pytest.raises(RangeError) as refused:
        chance_truly_in_band(*stated)
    assert str(refused.value) == (
        "chance in band: a spread above 0, an accuracy of 0 or more and a rising band are needed"
    )
