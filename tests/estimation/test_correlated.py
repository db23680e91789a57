"""Straight fits with errors that remember, against dense matrices and statsmodels."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from motorfit.estimation import correlated
from motorfit.estimation.coast_fit import neighbours_correlation
from motorfit.estimation.correlated import correlated_fit


def series(rng, n, correlation):
    new = rng.standard_normal(n)
    new[1:] *= np.sqrt(1.0 - correlation**2)
    return lfilter([1.0], [1.0, -correlation], new)


def polynomial(n, terms=4):
    return np.vander(np.linspace(-1.0, 1.0, n), terms, increasing=True)


@pytest.mark.parametrize(("level", "new"), [(1.0, 0.0), (0.5, 0.5), (1.1, -0.02)])
def test_the_inverse_is_that_of_the_dense_covariance(level, new):
    """numpy.linalg on the full matrix; both lose some three digits of sixteen."""
    rng = np.random.default_rng(1)
    time = np.cumsum(rng.uniform(0.2, 2.0, 40))
    both = rng.standard_normal((40, 5))
    counts = np.full(40, new) * (rng.uniform(0.5, 2.0, 40) if new > 0 else 1.0)
    dense = level * np.exp(-np.abs(time[:, None] - time) / 3.0) + np.diag(counts)

    form, determinant = correlated._Inverse(np.diff(time), 3.0).form(both, level, counts)

    assert form == pytest.approx(both.T @ np.linalg.solve(dense, both), rel=1e-9, abs=1e-9)
    assert determinant == pytest.approx(np.linalg.slogdet(dense)[1], abs=1e-9)


@pytest.mark.parametrize("averaged", [1, 2, 5])
def test_the_correlation_of_means(averaged):
    """Covariance of means by the dense covariance of what they are the means of."""
    step = 0.4
    n = 6
    instants = np.arange(n * averaged) * step / averaged
    means = np.kron(np.eye(n), np.full(averaged, 1.0 / averaged))
    dense = means @ np.exp(-np.abs(instants[:, None] - instants)) @ means.T
    apart = np.exp(-step * np.abs(np.arange(n)[:, None] - np.arange(n)))

    level, own = correlated._of_means(step, averaged)

    assert level * apart + own * np.eye(n) == pytest.approx(dense / dense[0, 0], abs=1e-12)


@pytest.mark.parametrize("correlation", [0.4, 0.8])
def test_a_long_series_agrees_with_statsmodels(correlation):
    """`statsmodels` GLSAR of order 1, which knows the correlation as well as 2000 readings can."""
    from statsmodels.regression.linear_model import GLSAR

    response = series(np.random.default_rng(2), 2000, correlation)
    design = polynomial(2000)
    model = GLSAR(response, design, rho=1)
    reference = model.iterative_fit(maxiter=20)

    found = correlated_fit(design, response, np.arange(2000.0), count=np.ones(2000))

    deviation = np.sqrt(np.diag(found.covariance))
    # the first reading, which GLSAR drops, is a two-thousandth of all, but at an end
    assert np.abs((found.coefficients - reference.params) / deviation).max() < 0.15
    # two deviations of the estimate of the correlation itself move it by 2 to 5 %
    assert deviation == pytest.approx(reference.bse, rel=0.08)
    # the time constants tried grow by 1.6
    assert np.exp(-1.0 / found.correlation_time) == pytest.approx(model.rho[0], abs=0.06)


def test_independent_errors_give_ordinary_least_squares():
    """2000 white readings leave no doubt: numpy.linalg.lstsq and its textbook covariance."""
    response = np.random.default_rng(3).standard_normal(2000)
    design = polynomial(2000)
    ordinary, squares, *_ = np.linalg.lstsq(design, response, rcond=None)
    covariance = squares[0] / 1996 * np.linalg.inv(design.T @ design)

    found = correlated_fit(design, response, np.arange(2000.0), count=np.ones(2000))

    deviation = np.sqrt(np.diag(covariance))
    assert found.coefficients == pytest.approx(ordinary, abs=0.1 * deviation.min())
    assert np.sqrt(np.diag(found.covariance)) == pytest.approx(deviation, rel=0.05)
    assert found.degrees_of_freedom > 100


def test_counts_weigh_readings():
    """Half of the readings are means of 25: as `numpy.polyfit` with these weights."""
    rng = np.random.default_rng(4)
    count = np.where(np.arange(1000) % 2, 25.0, 1.0)
    response = rng.standard_normal(1000) / np.sqrt(count)
    reference = np.polyfit(np.linspace(-1.0, 1.0, 1000), response, 1, w=np.sqrt(count))[::-1]

    found = correlated_fit(polynomial(1000, 2), response, np.arange(1000.0), count=count)

    assert found.coefficients == pytest.approx(reference, abs=0.3 * found.covariance[0, 0] ** 0.5)


def test_a_gap_is_forgotten_across():
    """Two stretches far apart know twice as much of a constant as one: sqrt(2), exactly."""
    time = np.concatenate([np.arange(400.0), 1e5 + np.arange(400.0)])
    one = series(np.random.default_rng(5), 400, 0.8)
    ones = np.ones((800, 1))

    both = correlated_fit(ones, np.concatenate([one, one]), time, count=np.ones(800))
    single = correlated_fit(ones[:400], one, time[:400], count=np.ones(400))

    ratio = np.sqrt(single.covariance[0, 0] / both.covariance[0, 0])
    # one more degree of freedom in 400, and a posterior that is narrower: some per cent
    assert ratio == pytest.approx(np.sqrt(2.0), rel=0.06)


@pytest.mark.parametrize("correlation", [0.0, 0.5, 0.9])
def test_the_correlation_of_neighbours_is_not_biased_by_the_curve(correlation):
    """Of 400 series of 100 readings less a cubic; without the correction 0.9 reads as 0.79."""
    rng = np.random.default_rng(6)
    q = np.linalg.qr(polynomial(100))[0]
    found = []
    for _ in range(400):
        values = series(rng, 100, correlation)
        found.append(neighbours_correlation(values - q @ (q.T @ values), 4))

    # four deviations of the mean are 0.02; the rest of the bias, of order 1/n, stays
    assert np.mean(found) == pytest.approx(correlation, abs=0.04)
