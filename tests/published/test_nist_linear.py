"""Linear regression against certified values, through the joint solver.

Source: NIST Statistical Reference Datasets, Linear Regression: estimates, their standard
deviations and the residual standard deviation. The last is the one variance component, by
restricted likelihood with a negligible prior: for independent readings of equal variance that
is RSS/(n - p), and the degrees of freedom are n - p.

Tolerances: the scale settles to a step of 1e-4 in a log variance, and the error after a
Newton-like step is half its square, so standard deviations agree to about 3e-9. Longley is
ill-conditioned (4e4 after scaling, squared in the information), so 1e-6.
"""

import numpy as np
import pytest
from condition_models import Linear, published, scaled_stack, solved, without_prior

from motorfit.arrays import FloatArray
from motorfit.estimation.scatter import (
    effective_degrees_of_freedom,
    estimate_scales,
    project,
    variance_slopes,
)

LONGLEY = (
    [
        -3482258.63459582,
        15.0618722713733,
        -0.358191792925910e-01,
        -2.02022980381683,
        -1.03322686717359,
        -0.511041056535807e-01,
        1829.15146461355,
    ],
    [
        890420.383607373,
        84.9149257747669,
        0.334910077722432e-01,
        0.488399681651699,
        0.214274163161675,
        0.226073200069370,
        455.478499142212,
    ],
)

CERTIFIED = {
    "norris": (
        [-0.262323073774029, 1.00211681802045],
        [0.232818234301152, 0.429796848199937e-03],
        0.884796396144373,
        1e-8,
    ),
    "noint1": ([2.07438016528926], [0.165289256198347e-01], 3.56753034006338, 1e-8),
    "pontius": (
        [0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14],
        [0.107938612033077e-03, 0.157817399981659e-09, 0.486652849992036e-16],
        0.205177424076185e-03,
        1e-8,
    ),
    "longley": (*LONGLEY, 304.854073561965, 1e-6),
}


def model(name: str) -> Linear:
    data = published(f"nist-{name}").astype(float)
    x = data.drop(columns="y").to_numpy()
    ones = np.ones((len(data), 1))
    design: FloatArray = {
        "norris": np.hstack([ones, x]),
        "noint1": x,
        "pontius": np.hstack([ones, x, x**2]),
        "longley": np.hstack([ones, x]),
    }[name]
    return Linear(design, data["y"].to_numpy())


@pytest.mark.parametrize("name", CERTIFIED)
def test_certified_estimates(name):
    estimates, _, _, tolerance = CERTIFIED[name]

    assert solved(model(name)).theta == pytest.approx(estimates, rel=tolerance)


@pytest.mark.parametrize("name", CERTIFIED)
def test_certified_standard_deviations(name):
    _, deviations, residual, tolerance = CERTIFIED[name]
    equations = model(name)
    stack = scaled_stack(equations, solved(equations))

    scales = estimate_scales(without_prior(stack))
    projected = project(stack, scales.log_variance)

    assert np.exp(0.5 * scales.log_variance) == pytest.approx([residual], rel=tolerance)
    assert np.sqrt(np.diag(projected.covariance)) == pytest.approx(deviations, rel=tolerance)


@pytest.mark.parametrize(
    ("name", "freedom"), [("norris", 34), ("noint1", 10), ("pontius", 37), ("longley", 9)]
)
def test_certified_degrees_of_freedom(name, freedom):
    """Readings less parameters, exact up to the rounding of the projection."""
    equations = model(name)
    stack = scaled_stack(equations, solved(equations))
    scales = estimate_scales(without_prior(stack))
    projected = project(stack, scales.log_variance)
    slopes = variance_slopes(stack, projected, scales.log_variance)

    found = effective_degrees_of_freedom(
        np.diag(projected.covariance), np.diagonal(slopes, axis1=1, axis2=2), scales
    )

    assert found == pytest.approx(np.full(len(found), freedom), rel=1e-6)
