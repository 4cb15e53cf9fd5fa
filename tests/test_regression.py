"""The regression against certified values, other libraries, and its own closed form.

Status of a published value: [C] read in the source's own text, [S] in a secondary copy, [X] computed with the
named library, [M] from memory.
"""

import csv
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from closed_form import assert_same, conditioned
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import stats

from advisor.response import regression
from advisor.response.regression import Posterior

Array = NDArray[np.float64]
DATA = Path(__file__).parent / "data"


def columns(name: str, x: str, y: str) -> tuple[Array, Array]:
    with (DATA / name).open() as lines:
        assert next(lines).startswith("# ")
        rows = list(csv.DictReader(lines))
    return np.array([float(row[x]) for row in rows]), np.array([float(row[y]) for row in rows])


def flat(*cov: float) -> Posterior:
    """Prior so wide that it says next to nothing; in the limit its shape is -D/2 (noise prior 1/s^2)."""
    count = len(cov)
    return Posterior(np.zeros(count), np.diag(cov), -count / 2 + 1e-9, np.array(1e-12), np.array(0.0))


def one_by_one(fit: Posterior, rows: Array, values: Array) -> Posterior:
    for row, value in zip(rows, values, strict=True):
        fit = regression.update(fit, list(row), float(value))
    return fit


def noise_sd(fit: Posterior) -> float:
    return float(np.sqrt(fit.scale / fit.shape))


def standard_errors(fit: Posterior) -> Array:
    return np.asarray(np.sqrt(np.diag(fit.cov)) * noise_sd(fit))


# --- published values ----------------------------------------------------------------------------------

NOINT1 = columns("nist_noint1.csv", "x", "y")
NORRIS = columns("nist_norris.csv", "x", "y")
GUM_T, GUM_B = columns("gum_h3.csv", "t_C", "b_C")

NOINT1_ROWS = NOINT1[0][:, None]
NORRIS_ROWS = np.column_stack([np.ones_like(NORRIS[0]), NORRIS[0]])
GUM_ROWS = np.column_stack([np.ones_like(GUM_T), GUM_T - 20])

NOINT1_FIT = one_by_one(flat(1e6), NOINT1_ROWS, NOINT1[1])
NORRIS_FIT = one_by_one(flat(1e10, 1e6), NORRIS_ROWS, NORRIS[1])
GUM_FIT = one_by_one(flat(1e9, 1e9), GUM_ROWS, GUM_B)

NIST = "NIST Statistical Reference Datasets, certified [C]"


@pytest.mark.parametrize(
    ("value", "certified", "source"),
    [
        (NOINT1_FIT.mean[0], 2.07438016528926, NIST),
        (standard_errors(NOINT1_FIT)[0], 0.0165289256198347, NIST),
        (noise_sd(NOINT1_FIT), 3.56753034006338, NIST),
        (NORRIS_FIT.mean[0], -0.262323073774029, NIST),
        (NORRIS_FIT.mean[1], 1.00211681802045, NIST),
        (standard_errors(NORRIS_FIT)[0], 0.232818234301152, NIST),
        (standard_errors(NORRIS_FIT)[1], 4.29796848199937e-4, NIST),
        (noise_sd(NORRIS_FIT), 0.884796396144373, NIST),
    ],
)
def test_certified_regression(value: float, certified: float, source: str) -> None:
    """With a flat prior, row by row, the fit agrees with the certified value to six significant digits."""
    assert value == pytest.approx(certified, rel=5e-7), source


def test_certified_slope_of_norris() -> None:
    """The slope, the best determined of the certified figures, agrees to ten digits."""
    assert NORRIS_FIT.mean[1] == pytest.approx(1.00211681802045, rel=1e-10), NIST


GUM = "JCGM 100:2008 H.3: data [C], printed roundings [M], reproduced with statsmodels OLS [X]"
GUM_LINE = regression.forecast(GUM_FIT, [1.0, 10.0])


@pytest.mark.parametrize(
    ("value", "printed", "digits", "source"),
    [
        (GUM_FIT.mean[0], -0.1712, 4, GUM),
        (standard_errors(GUM_FIT)[0], 0.0029, 4, GUM),
        (GUM_FIT.mean[1], 0.00218, 5, GUM),
        (standard_errors(GUM_FIT)[1], 0.00067, 5, GUM),
        (GUM_FIT.cov[0, 1] / np.sqrt(GUM_FIT.cov[0, 0] * GUM_FIT.cov[1, 1]), -0.930, 3, GUM),
        (noise_sd(GUM_FIT), 0.0035, 4, GUM),
        (float(GUM_LINE.loc[0]), -0.1494, 4, GUM),
        (float(GUM_LINE.scale[0]), 0.0041, 4, GUM),
    ],
)
def test_calibration_line(value: float, printed: float, digits: int, source: str) -> None:
    """Intercept at 20 C, slope, uncertainties, correlation and the line at 30 C, to every printed digit."""
    assert round(float(value), digits) == printed, source


# --- other libraries -----------------------------------------------------------------------------------

LINES = {"norris": (NORRIS_ROWS, NORRIS[1], NORRIS_FIT), "gum": (GUM_ROWS, GUM_B, GUM_FIT)}


@pytest.mark.parametrize("name", LINES)
def test_same_as_ordinary_least_squares(sm: Any, name: str) -> None:
    """With a flat prior, estimates, errors and residual degrees of freedom are statsmodels OLS's."""
    rows, values, fit = LINES[name]
    fitted = sm.OLS(values, rows).fit()
    assert fit.mean == pytest.approx(fitted.params, rel=1e-6)
    assert standard_errors(fit) == pytest.approx(fitted.bse, rel=1e-6)
    assert noise_sd(fit) ** 2 == pytest.approx(fitted.scale, rel=1e-6)
    assert fit.df == pytest.approx(fitted.df_resid, rel=1e-9)


@pytest.mark.parametrize("name", LINES)
def test_same_line_as_another_library(name: str) -> None:
    """With a flat prior, intercept and slope are scikit-learn LinearRegression's."""
    from sklearn.linear_model import LinearRegression  # type: ignore[import-untyped]

    rows, values, fit = LINES[name]
    fitted = LinearRegression().fit(rows[:, 1:], values)
    assert fit.mean == pytest.approx([fitted.intercept_, *fitted.coef_], rel=1e-6)


@pytest.mark.parametrize("name", LINES)
def test_same_path_as_recursive_least_squares(sm: Any, name: str) -> None:
    """After every reading the estimate is statsmodels RecursiveLS's, and so is each reading's surprise."""
    rows, values, _ = LINES[name]
    fitted = sm.RecursiveLS(values, rows).fit()
    path = fitted.recursive_coefficients.filtered
    fit = flat(1e10, 1e6) if name == "norris" else flat(1e9, 1e9)
    for i, (row, value) in enumerate(zip(rows, values, strict=True)):
        before, fit = fit, regression.update(fit, list(row), float(value))
        if i < 3:
            continue  # both start from hardly any knowledge, in their own way
        assert fit.mean == pytest.approx(path[:, i], rel=1e-4, abs=1e-7)
        squared = 2 * float(fit.scale - before.scale)
        assert squared == pytest.approx(fitted.resid_recursive[i] ** 2, rel=1e-3, abs=1e-9)


@pytest.mark.parametrize("chance", [0.01, 0.05, 0.5, 0.9, 0.99])
@pytest.mark.parametrize("name", LINES)
def test_forecast_is_students_t(sm: Any, name: str, chance: float) -> None:
    """A flat-prior forecast has the quantiles of scipy.stats.t about the line, to 1e-6 of chance."""
    rows, values, fit = LINES[name]
    x = float(rows[:, 1].mean()) * 1.3
    forecast = regression.forecast(fit, [1.0, x], 1.0)
    fitted = sm.OLS(values, rows).fit().get_prediction([[1.0, x]])
    exact = stats.t(len(values) - 2, fitted.predicted_mean[0], fitted.se_obs[0])
    value = exact.ppf(chance)
    assert forecast.ppf(chance) == pytest.approx(value, abs=2e-6 / exact.pdf(value))


@pytest.mark.parametrize("name", LINES)
def test_prediction_interval(sm: Any, name: str) -> None:
    """A flat-prior 90 % forecast is statsmodels' prediction interval, of a reading and of the line."""
    rows, values, fit = LINES[name]
    x = float(rows[-1, 1])
    prediction = sm.OLS(values, rows).fit().get_prediction([[1.0, x]])
    for own_noise, is_reading in ((1.0, True), (0.0, False)):
        forecast = regression.forecast(fit, [1.0, x], own_noise)
        low, high = prediction.conf_int(alpha=0.1, obs=is_reading)[0]
        assert forecast.ppf(0.05) == pytest.approx(low, abs=1e-5 * (high - low))
        assert forecast.ppf(0.95) == pytest.approx(high, abs=1e-5 * (high - low))


def test_ridge_with_a_real_prior() -> None:
    """At the prior width that scikit-learn BayesianRidge chose, mean and covariance are its own."""
    from sklearn.linear_model import BayesianRidge

    rows = GUM_ROWS
    ridge = BayesianRidge(fit_intercept=False, tol=1e-8).fit(rows, GUM_B)
    prior_var = float(ridge.alpha_ / ridge.lambda_)  # in noise variances
    fit = one_by_one(Posterior(np.zeros(2), np.eye(2) * prior_var, 1.0, np.array(1.0), np.array(0.0)), rows, GUM_B)
    assert fit.mean == pytest.approx(ridge.coef_, rel=1e-7)
    assert fit.cov / ridge.alpha_ == pytest.approx(ridge.sigma_, rel=1e-7)


# --- row by row, all at once, in any order and any split -----------------------------------------------

UNKNOWNS = 3
PRIOR_VARS = [0.01, 1.0, 100.0]


def prior_of(var: float) -> Posterior:
    mean = np.array([1.0, -2.0, 0.5])
    cov = var * np.array([[1.0, 0.3, 0.0], [0.3, 2.0, -0.2], [0.0, -0.2, 0.5]])
    return Posterior(mean, cov, 5 / 2, np.array(0.7), np.array(-0.4))


numbers = st.floats(-3.0, 3.0, allow_subnormal=False)
readings = st.lists(
    st.tuples(st.tuples(numbers, numbers, numbers), numbers, st.floats(0.0, 2.0)), min_size=1, max_size=9
)
Reading = tuple[tuple[float, float, float], float, float]


@pytest.mark.parametrize("var", PRIOR_VARS)
@given(taken=readings, data=st.data())
def test_row_by_row_is_all_at_once(var: float, taken: list[Reading], data: st.DataObject) -> None:
    """Updates one by one, in any order, give the closed form to 1e-9: unknowns, scale and the readings' log density."""
    fit = prior_of(var)
    for row, value, extra in data.draw(st.permutations(taken)):
        fit = regression.update(fit, list(row), value, extra)
    rows, values, extra_noise = (np.array(part, dtype=float) for part in zip(*taken, strict=True))
    assert_same(fit, conditioned(prior_of(var), rows, values, np.diag(1 + extra_noise)))


def test_a_reading_of_nothing_teaches_nothing_of_the_unknowns() -> None:
    """A reading with no regressors leaves mean and covariance as they were."""
    prior = prior_of(1.0)
    told_nothing = regression.update(prior, [0.0, 0.0, 0.0], 0.3)
    assert (told_nothing.mean == prior.mean).all()
    assert (told_nothing.cov == prior.cov).all()


# --- noise that readings share -------------------------------------------------------------------------

steps = st.lists(
    st.one_of(
        st.tuples(st.just("read"), st.tuples(numbers, numbers, numbers), numbers),
        st.tuples(st.just("add noise"), st.tuples(numbers, numbers, numbers), st.floats(0.01, 3.0)),
        st.tuples(st.just("reset"), st.integers(0, UNKNOWNS - 1), st.floats(0.01, 3.0)),
        st.tuples(st.just("absorb"), st.permutations(range(UNKNOWNS)), numbers),
    ),
    min_size=1,
    max_size=10,
).filter(lambda drawn: any(kind == "read" for kind, _, _ in drawn))


@pytest.mark.parametrize("var", PRIOR_VARS)
@given(drawn=steps)
@settings(max_examples=60)
def test_shared_noise_is_a_dense_covariance(var: float, drawn: list[tuple[str, Any, float]]) -> None:
    """Noise added, unknowns reset or absorbed between readings are correlated noise: unknowns, density and scale.

    The reference keeps every step's own unknown to the end and conditions on all readings at once.
    """
    prior, fit = prior_of(var), prior_of(var)
    variances = [1.0] * UNKNOWNS  # of what is added, in noise variances; the first ones stand for the prior
    now = np.eye(UNKNOWNS)  # the present unknowns as sums of everything ever added
    rows, values = [], []
    for kind, what, number in drawn:
        if kind == "read":
            fit = regression.update(fit, list(what), number)
            rows.append(np.array(what) @ now)
            values.append(number)
            continue
        if kind == "absorb":
            one, two, three = what
            fit = regression.absorb(fit, one, {two: number, three: 0.5})
            now[two], now[three] = now[two] + number * now[one], now[three] + 0.5 * now[one]
            continue
        variances.append(number)
        if kind == "add noise":
            fit = regression.add_process_noise(fit, list(what), number)
            column = np.array(what)
        else:
            fit = regression.reset(fit, {what: number})
            column = np.eye(UNKNOWNS)[what]
            now[what] = 0
        now = np.column_stack([now, column])
    total = len(variances)
    wide = np.array([np.pad(row, (0, total - row.size)) for row in rows])
    mean, cov = np.zeros(total), np.diag(variances)
    mean[:UNKNOWNS], cov[:UNKNOWNS, :UNKNOWNS] = prior.mean, prior.cov
    start = Posterior(mean, cov, prior.shape, prior.scale, prior.log_weight)
    joint = conditioned(start, wide, np.array(values), np.eye(len(values)))
    assert_same(fit, replace(joint, mean=now @ joint.mean, cov=now @ joint.cov @ now.T))


def test_noise_is_added_along_a_direction() -> None:
    """cov + var d d', also where parts of d are exactly 0 and 1, where shortcuts are taken."""
    prior, direction = prior_of(1.0), np.array([1.0, 0.0, -0.5])
    added = regression.add_process_noise(prior, list(direction), 2.0)
    assert added.cov == pytest.approx(prior.cov + 2 * np.outer(direction, direction), rel=1e-15)
    # a part that differs from hypothesis to hypothesis, beside parts that don't
    batch = on_two_axes(np.random.default_rng(11))
    along, var = np.array([[0.5], [-2.0]]), np.array([[0.1, 0.2, 0.3]])
    for parts in ([1.0, along, 0.0], [along, 0.0, 1.0]):
        gained = regression.add_process_noise(batch, parts, var).cov - batch.cov
        for i, j in np.ndindex(batch.scale.shape):
            here = np.array([part[i, 0] if isinstance(part, np.ndarray) else part for part in parts])
            assert gained[:, :, i, j] == pytest.approx(var[0, j] * np.outer(here, here), abs=1e-14)


# --- many hypotheses at once ---------------------------------------------------------------------------


def on_two_axes(random: np.random.Generator) -> Posterior:
    """Hypotheses on axes of 2 and 3, all numbers drawn."""
    shape = (2, 3)
    root = random.normal(size=(UNKNOWNS, UNKNOWNS, *shape))
    cov = np.einsum("ik...,jk...->ij...", root, root) + 0.1 * np.eye(UNKNOWNS)[..., None, None]
    mean, scale = random.normal(size=(UNKNOWNS, *shape)), random.uniform(0.5, 2.0, shape)
    return Posterior(mean, cov, 2.0, scale, random.normal(size=shape))


def assert_are(fit: Posterior, batch: Posterior, index: tuple[Any, ...]) -> None:
    """The hypotheses of `fit`, in order, are those of `batch` at this numpy index of its axes."""
    assert fit.shape == batch.shape
    assert np.array_equal(fit.mean, batch.mean[:, *index])
    assert np.array_equal(fit.cov, batch.cov[:, :, *index])
    assert np.array_equal(fit.scale, batch.scale[index])
    assert np.array_equal(fit.log_weight, batch.log_weight[index])


def test_places_are_kept_along_each_axis() -> None:
    """What is kept is what numpy's own open mesh picks, in every part of the fit."""
    batch = on_two_axes(np.random.default_rng(3))
    keep = [np.array([1]), np.array([0, 2])]
    assert_are(regression.select(batch, keep), batch, np.ix_(*keep))
    assert_are(regression.select(batch, [np.array([0, 1]), np.array([1])]), batch, np.ix_([0, 1], [1]))


def test_the_likely_of_two_axes_forecast_as_all_do() -> None:
    """Two hopeless hypotheses of six dropped: the others whole and in order; figures along either axis follow them."""
    batch = replace(
        on_two_axes(np.random.default_rng(5)), log_weight=np.array([[0.0, -20.0, -2.0], [-1.0, -3.0, -30.0]])
    )
    kept = regression.prune(batch)
    places = np.array([0, 0, 1, 1]), np.array([0, 2, 0, 1])
    assert kept.index.tolist() == [0, 2, 3, 4]
    assert_are(kept.posterior, batch, places)
    first, second = np.array([[1.5], [-0.5]]), np.array([[0.2, 0.4, 0.8]])
    row = [1.0, first, second]
    picked = kept.pick(row)
    assert picked[0] == 1.0
    assert np.array_equal(picked[1], first[places[0], 0])
    assert np.array_equal(picked[2], second[0, places[1]])
    small, whole = regression.forecast(kept.posterior, picked), regression.forecast(batch, row)
    assert small.mean == pytest.approx(whole.mean, abs=1e-6)
    assert small.var == pytest.approx(whole.var, rel=1e-6)


def test_hypotheses_do_not_touch_each_other() -> None:
    """A batch on two axes, with regressors and noise along either, gives each hypothesis as alone."""
    random = np.random.default_rng(7)
    batch = on_two_axes(random)
    shape = batch.scale.shape
    along_first, along_second = random.normal(size=(2, 1)), random.normal(size=(1, 3))
    noise, loose = random.uniform(0, 1, (2, 1)), random.uniform(0, 1, (1, 3))

    def taught(fit: Posterior, first: Any, second: Any, noise: Any, loose: Any) -> Posterior:
        fit = regression.update(fit, [1.0, first, second], 0.7, noise)
        fit = regression.add_process_noise(fit, [1.0, 0.0, -0.5], loose)
        fit = regression.update(fit, [0.0, second, 0.0], -0.2)
        fit = regression.reset(fit, {1: 0.3})
        return regression.update(fit, [first, 1.0, 0.0], 0.1, loose)

    together = taught(batch, along_first, along_second, noise, loose)
    for i, j in np.ndindex(shape):
        alone = taught(
            Posterior(batch.mean[:, i, j], batch.cov[:, :, i, j], 2.0, batch.scale[i, j], batch.log_weight[i, j]),
            along_first[i, 0],
            along_second[0, j],
            noise[i, 0],
            loose[0, j],
        )
        assert together.mean[:, i, j] == pytest.approx(alone.mean, rel=1e-12)
        assert together.cov[:, :, i, j] == pytest.approx(alone.cov, rel=1e-12, abs=1e-12)
        assert together.scale[i, j] == pytest.approx(float(alone.scale), rel=1e-12)
        assert together.log_weight[i, j] == pytest.approx(float(alone.log_weight), rel=1e-12)
    raw = np.exp(together.log_weight)
    assert together.weight == pytest.approx(raw / raw.sum(), rel=1e-12)


def test_updates_leave_the_fit_they_started_from() -> None:
    """Every step returns a new fit; the old one, which other answers may still use, stays as it was."""
    prior = prior_of(1.0)
    regression.update(prior, [1.0, 2.0, 3.0], 0.5)
    regression.add_process_noise(prior, [1.0, 0.0, 1.0], 2.0)
    regression.reset(prior, {1: 2.0})
    assert_same(prior, prior_of(1.0), rel=0)


def test_forecast_mixes_all_hypotheses() -> None:
    """A forecast has each hypothesis's location x'b, width and chance; noise widens it."""
    fit = three_hypotheses()
    forecast = regression.forecast(fit, [2.0], 1.25)
    assert forecast.loc == pytest.approx([2.0, 4.0, 6.0])
    assert forecast.scale == pytest.approx(np.sqrt((4 * 0.5 + 1.25) * np.array([1.0, 2.0, 3.0]) / 4), rel=1e-12)
    assert forecast.weight == pytest.approx(np.array([1.0, 0.5, 2e-5]) / 1.50002, rel=1e-12)
    assert forecast.df == 8
    without = regression.forecast(fit, [2.0])
    assert without.scale == pytest.approx(np.sqrt(4 * 0.5 * np.array([1.0, 2.0, 3.0]) / 4), rel=1e-12)


@pytest.mark.parametrize("shift", [-5000.0, 5000.0])
def test_chances_of_many_readings_neither_overflow_nor_vanish(shift: float) -> None:
    """Log weights far from 0, as after thousands of readings, give the same chances: only their differences count."""
    fit = three_hypotheses()
    far = replace(fit, log_weight=fit.log_weight + shift)
    assert far.weight == pytest.approx(np.array([1.0, 0.5, 2e-5]) / 1.50002, rel=1e-9)


def test_hopeless_hypotheses_are_dropped() -> None:
    """A hypothesis below the stated share of the likeliest is left out; what stays is as it was."""
    fit = three_hypotheses()
    kept = regression.prune(fit, drop_below=1e-4)
    assert kept.index.tolist() == [0, 1]
    assert kept.posterior.weight == pytest.approx([2 / 3, 1 / 3], rel=1e-12)
    assert kept.posterior.mean.tolist() == [[1.0, 2.0]]
    assert kept.take(np.array([7.0, 8.0, 9.0])).tolist() == [7.0, 8.0]
    assert kept.take(4.0).tolist() == [4.0, 4.0]
    assert regression.prune(fit, drop_below=1e-5).index.tolist() == [0, 1, 2]
    assert regression.prune(fit).index.tolist() == [0, 1]


def three_hypotheses() -> Posterior:
    scale, log_weight = np.array([1.0, 2.0, 3.0]), np.log([1.0, 0.5, 2e-5])
    return Posterior(np.array([[1.0, 2.0, 3.0]]), np.full((1, 1, 3), 0.5), 4.0, scale, log_weight)


@pytest.mark.parametrize("shape", [1.5, 3.4, 54.0])
def test_the_noise_is_the_expected_spread_squared(shape: float) -> None:
    """E[s] of an inverse gamma law of s^2, by scipy's integration."""
    expected = stats.invgamma(shape, scale=0.7).expect(np.sqrt)
    assert 0.7 * regression.expected_sd_share(shape) == pytest.approx(expected**2, rel=1e-6)
