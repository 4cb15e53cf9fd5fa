"""Bayesian linear regression from all readings at once, by numpy and scipy alone: the reference for row-by-row updates.

Readings y = X b + e with e ~ N(0, s^2 N), b | s^2 ~ N(m, s^2 V), s^2 ~ IG(a, c). With S = N + X V X':

    b | y ~ mean m + V X' S^-1 (y - X m), covariance V - V X' S^-1 X V in units of s^2
    s^2 | y ~ IG(a + n / 2, c + (y - X m)' S^-1 (y - X m) / 2)
    y ~ multivariate t with 2 a degrees of freedom, location X m and shape matrix S c / a

Generalised least squares with a normal-inverse-gamma prior; Gelman et al., Bayesian Data Analysis, 3rd ed., ch. 14 [M].
"""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import linalg, stats

from advisor.response.regression import Posterior

Array = NDArray[np.float64]


def conditioned(prior: Posterior, rows: Array, values: Array, noise: Array) -> Posterior:
    """The posterior of one hypothesis after readings `values` (n,) with regressors `rows` (n, D), noise as N above."""
    if not len(values):
        return prior
    apart, spread = values - rows @ prior.mean, rows @ prior.cov
    total = noise + spread @ rows.T
    solved = linalg.cho_solve(linalg.cho_factor(total), np.column_stack([apart, spread]))
    density = stats.multivariate_t(rows @ prior.mean, float(prior.scale) / prior.shape * total, df=2 * prior.shape)
    return replace(
        prior,
        mean=prior.mean + spread.T @ solved[:, 0],
        cov=prior.cov - spread.T @ solved[:, 1:],
        shape=prior.shape + len(values) / 2,
        scale=prior.scale + apart @ solved[:, 0] / 2,
        log_weight=prior.log_weight + density.logpdf(values),
    )


def assert_same(one: Posterior, other: Posterior, rel: float = 1e-9) -> None:
    """Two posteriors of one hypothesis are equal; means and covariances relative to the spread of their unknowns."""
    spread = np.sqrt(np.diag(other.cov))
    spread[spread == 0] = 1.0
    assert one.mean / spread == pytest.approx(other.mean / spread, rel=rel, abs=rel)
    assert one.cov / np.outer(spread, spread) == pytest.approx(other.cov / np.outer(spread, spread), abs=rel)
    assert one.shape == other.shape
    assert float(one.scale) == pytest.approx(float(other.scale), rel=rel)
    assert float(one.log_weight) == pytest.approx(float(other.log_weight), rel=rel, abs=rel)
