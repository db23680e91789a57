"""Warming and cooling: closed forms against an integrator and against a control library."""

import control
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from motorfit.machine.warming import (
    OneBody,
    TwoBodies,
    cooling_rise,
    one_body_rise,
    rise_at_switching_off,
    steady_rise,
    two_body_rise,
)

TWO = TwoBodies(
    winding_to_frame=1.0, winding_time_constant=60.0, frame_to_air=2.0, frame_time_constant=1200.0
)
TIMES = np.array([0.0, 1.0, 60.0, 600.0, 3600.0])


def integrated(rate, start, end=TIMES[-1]):
    """The same by an integrator whose own error is near 1e-12."""
    found = solve_ivp(
        rate, (0.0, end), start, t_eval=TIMES, method="DOP853", rtol=1e-13, atol=1e-13
    )
    return found.y


@pytest.mark.parametrize("growth", [0.0, 0.1, 1 / 3, 0.4], ids=str)
def test_one_body_agrees_with_an_integrator(growth):
    """20 W and growth of copper loss; at 1/3 W/K the feedback is exactly one, 0.4 runs away."""
    found = one_body_rise(TIMES, 20.0, 3.0, 900.0, 5.0, growth=growth)
    expected = integrated(lambda _t, y: (3.0 * (20.0 + growth * y) - y) / 900.0, [5.0])
    assert found == pytest.approx(expected[0], rel=1e-9)


@pytest.mark.parametrize("growth", [0.0, 0.1, 0.5])
def test_two_bodies_agree_with_an_integrator(growth):
    def rate(_t, y):
        across = y[0] - y[1]
        return [(20.0 + growth * y[0] - across) / 60.0, (3.0 + across - y[1] / 2.0) / 600.0]

    winding, frame = two_body_rise(TIMES, 20.0, TWO, (5.0, 1.0), growth=growth, frame_power=3.0)
    expected = integrated(rate, [5.0, 1.0])
    assert winding == pytest.approx(expected[0], rel=1e-9)
    assert frame == pytest.approx(expected[1], rel=1e-9)


@pytest.mark.parametrize("growth", [0.0, 0.1])
def test_one_body_is_the_step_response_of_a_first_order_lag(growth):
    """python-control: 3 K/W, 900 s, closed by the growth of the loss as positive feedback."""
    lag = control.tf([3.0], [900.0, 1.0])
    closed = control.feedback(lag, control.tf([growth], [1.0]), sign=1)
    times = np.linspace(0.0, 5400.0, 200)
    _, expected = control.step_response(closed, times)
    # the library steps by matrix exponentials, exact but for rounding
    found = one_body_rise(times, 20.0, 3.0, 900.0, growth=growth)
    assert found == pytest.approx(20.0 * expected, rel=1e-9, abs=1e-9)


def test_two_bodies_are_the_step_response_of_a_second_order_system():
    """python-control: heat capacities 60 and 600 J/K as state space."""
    system = control.ss(
        [[-1 / 60, 1 / 60], [1 / 600, -1.5 / 600]], [[1 / 60], [0.0]], np.eye(2), np.zeros((2, 1))
    )
    times = np.linspace(0.0, 5400.0, 200)
    _, expected = control.step_response(system, times)
    winding, frame = two_body_rise(times, 20.0, TWO)
    assert winding == pytest.approx(20.0 * expected[0, 0], rel=1e-9, abs=1e-9)
    assert frame == pytest.approx(20.0 * expected[1, 0], rel=1e-9, abs=1e-9)


@given(
    power=st.floats(0.0, 500.0),
    resistance=st.floats(0.1, 20.0),
    loop=st.floats(0.0, 0.95),
    start=st.floats(0.0, 100.0),
)
def test_one_body_ends_at_its_steady_rise(power, resistance, loop, start):
    """After 1000 lags of the slowed-down machine exp(-50) is left; tolerance: rounding."""
    growth = loop / resistance
    found = one_body_rise(1000.0, power, resistance, 1.0, start, growth=growth)
    assert found == pytest.approx(steady_rise(power, resistance, growth=growth), rel=1e-12)


def test_two_bodies_end_at_the_steady_rise_of_both_in_series():
    winding, frame = two_body_rise(1e6, 20.0, TWO)
    assert winding == pytest.approx(steady_rise(20.0, TWO.thermal_resistance), rel=1e-12)
    assert frame == pytest.approx(winding * TWO.frame_share, rel=1e-12)


def test_a_quick_winding_in_a_frame_is_one_body():
    """A thousandth of the path and of the heat capacity inside: one body to about a thousandth."""
    two = TwoBodies(
        winding_to_frame=0.003,
        winding_time_constant=0.0009,
        frame_to_air=3.0,
        frame_time_constant=900.0,
    )
    times = np.array([300.0, 900.0, 3000.0])
    winding, _ = two_body_rise(times, 20.0, two)
    assert winding == pytest.approx(one_body_rise(times, 20.0, 3.0, 900.0), rel=5e-3)


def test_a_machine_that_runs_away_gets_hot_beyond_all_measure():
    """More heat for each kelvin (0.4 and 0.5 W/K) than the path of 3 K/W carries off."""
    assert steady_rise(20.0, 3.0, growth=0.4) == np.inf
    assert one_body_rise([0.0, 1e7], 20.0, 3.0, 900.0, growth=0.4).tolist() == [0.0, np.inf]
    winding, frame = two_body_rise([0.0, 1e7], 20.0, TWO, growth=0.5)
    assert winding.tolist() == [0.0, np.inf]
    assert frame.tolist() == [0.0, np.inf]


def test_draws_broadcast_against_times():
    resistance, lag = np.array([[2.0], [3.0]]), np.array([[600.0], [900.0]])
    found = one_body_rise(TIMES, 20.0, resistance, lag)
    assert found.shape == (2, TIMES.size)
    assert found[1] == pytest.approx(one_body_rise(TIMES, 20.0, 3.0, 900.0), rel=1e-14)
    bodies = TwoBodies(
        winding_to_frame=resistance,
        winding_time_constant=60.0,
        frame_to_air=2.0,
        frame_time_constant=lag,
    )
    assert two_body_rise(TIMES, 20.0, bodies)[0].shape == (2, TIMES.size)


def test_cooling_is_warming_without_power():
    body = OneBody(thermal_resistance=3.0, time_constant=900.0)
    warm = one_body_rise(TIMES, 0.0, body.thermal_resistance, body.time_constant, 60.0)
    assert cooling_rise(TIMES, 60.0, body.time_constant) == pytest.approx(warm, rel=1e-14)


def test_cooling_curve_leads_back_to_the_instant_of_switching_off():
    """An exact exponential from 63 K with a lag of 400 s; tolerance: rounding of logarithms."""
    times = np.array([25.0, 40.0, 55.0, 90.0])
    start, lag = rise_at_switching_off(times, cooling_rise(times, 63.0, 400.0))
    assert start == pytest.approx(63.0, rel=1e-12)
    assert lag == pytest.approx(400.0, rel=1e-10)


def test_readings_of_a_cooling_curve_weigh_by_their_size():
    """Errors of constant size: a bad last reading, at 2 K, hardly moves the start.

    Without weights ln(3/2) at the far end would move it by tens of per cent.
    """
    times = np.linspace(20.0, 1400.0, 12)
    rises = cooling_rise(times, 63.0, 400.0)
    rises[-1] += 1.0
    assert rise_at_switching_off(times, rises)[0] == pytest.approx(63.0, rel=0.01)


@pytest.mark.parametrize(
    ("times", "rises", "why"),
    [([30.0, 30.0], [50.0, 49.0], "two different times"), ([1.0, 2.0], [5.0, 0.0], "positive")],
)
def test_what_is_no_cooling_curve_is_refused(times, rises, why):
    with pytest.raises(ValueError, match=why):
        rise_at_switching_off(times, rises)
