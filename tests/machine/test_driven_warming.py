"""Warming under a power that changes: against closed forms, and against an integrator."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from motorfit.machine.driven_warming import driven_rise, lags_of, response
from motorfit.machine.warming import OneBody, TwoBodies, one_body_rise, two_body_rise

ONE = OneBody(thermal_resistance=3.0, time_constant=600.0)
TWO = TwoBodies(
    winding_to_frame=1.0,
    winding_time_constant=60.0,
    frame_to_air=2.0,
    frame_time_constant=1200.0,
)
UNEVEN = np.concatenate([[0.0], np.cumsum(np.tile([5.0, 40.0, 12.0], 30))])


def test_constant_power_gives_the_closed_form_of_one_body():
    """Exact at any steps, so to rounding."""
    rise = driven_rise(UNEVEN, np.full(UNEVEN.shape, 20.0), lags_of(ONE), 7.0)
    closed = one_body_rise(UNEVEN, 20.0, 3.0, 600.0, 7.0)
    assert rise == pytest.approx(closed, rel=1e-12, abs=1e-12)


def test_constant_power_gives_the_closed_form_of_two_bodies():
    rise = driven_rise(UNEVEN, np.full(UNEVEN.shape, 20.0), lags_of(TWO), 7.0)
    closed, _ = two_body_rise(UNEVEN, 20.0, TWO, (7.0, 7.0))
    assert rise == pytest.approx(closed, rel=1e-12, abs=1e-12)


def test_loss_that_grows_as_it_warms_gives_the_closed_form():
    """Between the instants the growing part is taken as straight: h^2/12 tau^2 of it, 1e-5."""
    time = np.linspace(0.0, 1800.0, 361)
    growth = np.full(time.shape, 0.1)
    rise = driven_rise(time, np.full(time.shape, 20.0), lags_of(ONE), growth=growth)
    closed = one_body_rise(time, 20.0, 3.0, 600.0, growth=0.1)
    assert rise == pytest.approx(closed, rel=1e-5, abs=1e-4)


def test_power_that_rises_and_falls_gives_what_an_integrator_gives():
    """Straight between the instants is exact; the integrator is good to 1e-9."""
    corners, power = np.array([0.0, 300.0, 900.0, 910.0, 2000.0]), [10.0, 40.0, 25.0, 0.0, 0.0]

    def slope(t, theta):
        return (3.0 * np.interp(t, corners, power) - theta) / 600.0

    steps = solve_ivp(
        slope, (0.0, 2000.0), [4.0], t_eval=corners, max_step=20.0, rtol=1e-10, atol=1e-10
    )
    rise = driven_rise(corners, power, lags_of(ONE), 4.0)
    # a kink within an integrator's step costs it some of its digits
    assert rise == pytest.approx(steps.y[0], rel=1e-6)


def test_two_lags_add_to_the_thermal_resistance_and_start_where_it_starts():
    resistance, lag, share = lags_of(TWO)
    assert resistance.sum() == pytest.approx(3.0, rel=1e-12)
    assert share.sum() == pytest.approx(1.0, rel=1e-12)
    assert lag[0] > 1200.0 > 60.0 > lag[1]


def test_response_looks_backwards_only():
    assert np.allclose(np.triu(response(UNEVEN, lags_of(TWO)), 1), 0.0)


def test_a_machine_that_runs_away_in_long_steps_is_told():
    time = np.array([0.0, 1e5, 2e5])
    with pytest.raises(ValueError, match="does not settle"):
        driven_rise(time, np.full(3, 20.0), lags_of(ONE), growth=np.full(3, 5.0))
