"""Uncertainty of predictions against the worked examples of the GUM and its Supplement 1."""

import numpy as np
import pytest
from invented_profile import gain, invented_profile

from motorfit.estimate import Estimate
from motorfit.profile.model import InstrumentError
from motorfit.profile.prediction import Prediction


def stated(value: float, uncertainty: float, unit: str, freedom: float = np.inf) -> Estimate:
    """An estimate all of whose uncertainty is scatter."""
    return Estimate(
        value=value,
        unit=unit,
        standard_uncertainty=uncertainty,
        from_scatter=uncertainty,
        from_instruments=0.0,
        interval=(value - uncertainty, value + uncertainty),
        level=0.68,
        degrees_of_freedom=freedom,
        method="linear",
    )


def test_a_point_on_a_calibration_line():
    """JCGM 100:2008, H.3: y1 = -0.1712(29), y2 = 0.00218(67), r = -0.930, b(30) = -0.1494(41).

    The line stands in for loss torque against speed: intercept, slope, their covariance
    and 9 degrees of freedom. Unrounded inputs, from the data of Table H.6.
    """
    intercept, slope, correlation = 0.002_877_598, 0.000_667_938_8, -0.930_430
    profile = invented_profile(instruments=())
    profile = invented_profile(
        instruments=(),
        parameters={
            **profile.parameters,
            "coulomb_torque": stated(-0.171_203_790, intercept, "N.m", 9.0),
            "viscous_coefficient": stated(0.002_182_697_7, slope, "N.m.s/rad", 9.0),
        },
        covariance_order=("coulomb_torque", "viscous_coefficient"),
        scatter_covariance=np.array(
            [
                [intercept**2, correlation * intercept * slope],
                [correlation * intercept * slope, slope**2],
            ]
        ),
    )
    predicted = profile.loss(speed=10.0)  # t - 20 degC
    assert predicted.value == pytest.approx(-0.1494, abs=5e-5)
    assert predicted.standard_uncertainty == pytest.approx(0.0041, abs=5e-5)
    assert predicted.degrees_of_freedom == pytest.approx(9.0, rel=1e-9)
    # without the covariance it would be 0.0073: the test would see that


@pytest.mark.parametrize(
    ("freedom", "level", "factor"),
    [(1, 0.95, 12.71), (5, 0.95, 2.57), (10, 0.99, 3.17), (20, 0.6827, 1.03), (50, 0.9, 1.68)],
)
def test_coverage_factors(freedom, level, factor):
    """JCGM 100:2008, Table G.2, printed to two decimals; unrounded within 0.005, 0.01 allowed."""
    prediction = Prediction(
        value=np.zeros(1),
        standard_uncertainty=np.ones(1),
        degrees_of_freedom=np.array([float(freedom)]),
        extrapolated=np.zeros(1, bool),
        unit="V",
    )
    low, high = prediction.interval(level)
    assert high == pytest.approx([factor], abs=0.01)
    assert low == pytest.approx(-high)


@pytest.mark.parametrize(
    ("widths", "scatter", "uncertainty", "half"),
    [((), 4.0, 2.00, 3.92), ((1, 1, 1, 1), 0.0, 2.00, 3.88), ((1, 1, 1, 10), 0.0, 10.1, 17.0)],
    ids=["9.2.2", "9.2.3", "9.2.4"],
)
def test_draws_of_a_sum_of_four_errors(widths, scatter, uncertainty, half):
    """JCGM 101:2008, 9.2.2 to 9.2.4: four errors of standard uncertainty 1 (the last 10).

    Normal, as scatter, in the first; else rectangles, for which the normal distribution would
    give 3.92 and 19.9 for the half-width of the 95 % interval. Digits from memory; an exact
    convolution gives 3.9199, 3.8794 and 17.016.
    """
    errors = tuple(
        InstrumentError(
            quantity="voltage",
            id=f"meter {number}",
            range="",
            error="gain",
            shape="rectangular",
            half_width=width * np.sqrt(3.0),
            unit="1",
            sensitivity={"viscous_coefficient": 1.0},
        )
        for number, width in enumerate(widths)
    )
    profile = invented_profile(
        instruments=errors,
        parameters={
            **invented_profile().parameters,
            # far from zero, so that the bound plays no part
            "viscous_coefficient": stated(1000.0, 0.0, "N.m.s/rad"),
        },
        covariance_order=("viscous_coefficient",),
        scatter_covariance=np.full((1, 1), scatter),
    )
    draws = profile.sample(200_000, np.random.default_rng(20240501))["viscous_coefficient"]
    low, high = np.quantile(draws - 1000.0, [0.025, 0.975])
    # standard error of a 2.5 % quantile of 200 000 draws: sqrt(0.025 x 0.975/n)/density, about
    # 0.006 of the standard uncertainty; four of them, and half a printed digit
    allowed = 4 * 0.006 * uncertainty / np.sqrt(2) + 0.05
    assert (high - low) / 2 == pytest.approx(half, abs=allowed)
    assert np.std(draws) == pytest.approx(uncertainty, rel=0.01)
    assert np.sqrt(profile.covariance[0, 0]) == pytest.approx(uncertainty, abs=0.05)


def test_the_gain_of_one_meter_is_rectangular():
    """JCGM 100:2008, 4.3.7: half-width over the square root of three; exact."""
    assert gain("voltage", "meter A").standard_uncertainty == pytest.approx(
        0.005 / np.sqrt(3.0), rel=1e-15
    )
