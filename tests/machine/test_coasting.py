"""Coasting: closed forms against an integrator, quadrature, and the balance of energy."""

import control
import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.integrate import quad, solve_ivp

from motorfit.machine.brushed import BrushedMachine, loss_torque, terminal_power, terminal_voltage
from motorfit.machine.coasting import (
    braking_power,
    coast_down,
    coasting_time,
    retardation_coefficients,
    speed_after,
    time_to_reach,
)
from motorfit.machine.operating import current_on_resistor

MACHINE = BrushedMachine(
    emf_constant=0.055,
    armature_resistance=0.8,
    brush_drop=0.6,
    coulomb_torque=0.02,
    viscous_coefficient=4e-5,
    windage_coefficient=1e-7,
    brush_current_scale=0.05,
)
REACTING = BrushedMachine(
    emf_constant=0.055,
    armature_resistance=0.8,
    brush_drop=0.6,
    coulomb_torque=0.02,
    armature_reaction=0.01,
    brush_current_scale=0.05,
)
WITHOUT_DROP = BrushedMachine(emf_constant=0.055, armature_resistance=0.8, coulomb_torque=0.02)
J = 1e-3

#: Signs of the discriminant, its neighbourhood, terms left out, losses that bend the other way.
COEFFICIENTS = [
    (20.0, 0.0, 0.0),
    (0.0, 0.05, 0.0),
    (0.0, 0.0, 1e-4),
    (20.0, 0.05, 0.0),
    (20.0, 0.0, 1e-4),
    (0.0, 0.05, 1e-4),
    (20.0, 0.05, 1e-4),
    (20.0, 0.2, 5e-4),  # discriminant exactly zero
    (20.0, 0.2, 5.0000001e-4),
    (20.0, 0.5, 1e-4),
    (20.0, 1e-9, 1e-12),
    (20.0, 0.05, -1e-5),
    (20.0, -0.02, 1e-5),
    (20.0, -1e-9, -1e-13),
    (-0.5, 0.5, 1e-5),
]


@pytest.mark.parametrize("terms", COEFFICIENTS, ids=str)
def test_speed_agrees_with_an_integrator(terms):
    d0, d1, d2 = terms
    times = np.linspace(0.0, 9.0, 10)
    found = solve_ivp(
        lambda _t, w: -(d0 + d1 * w + d2 * w**2),
        (0.0, 9.0),
        [400.0],
        t_eval=times,
        method="DOP853",
        rtol=1e-13,
        atol=1e-12,
    )
    moving = found.y[0] > 0
    speed = speed_after(times, 400.0, d0, d1, d2)
    assert speed[moving] == pytest.approx(found.y[0][moving], rel=1e-9)
    assert not speed[~moving].any()


@pytest.mark.parametrize("terms", COEFFICIENTS, ids=str)
def test_time_agrees_with_quadrature(terms):
    d0, d1, d2 = terms
    expected, _ = quad(lambda w: 1.0 / (d0 + d1 * w + d2 * w**2), 150.0, 400.0, epsrel=1e-12)
    assert time_to_reach(400.0, 150.0, d0, d1, d2) == pytest.approx(expected, rel=1e-10)


@given(
    d0=st.floats(0.0, 50.0),
    d1=st.floats(-0.02, 2.0),
    d2=st.floats(-1e-5, 1e-2),
    end=st.floats(1.0, 390.0),
)
def test_speed_and_time_undo_each_other(d0, d1, d2, end):
    """Tolerance: the digits that the difference of two speeds leaves, and ten times that."""
    time = time_to_reach(400.0, end, d0, d1, d2)
    assume(np.isfinite(time))
    slowest = min(d0 + d1 * w + d2 * w**2 for w in (end, 400.0))
    assume(slowest > 1e-3)
    assert speed_after(time, 400.0, d0, d1, d2) == pytest.approx(end, rel=1e-9)


def test_speed_goes_smoothly_through_terms_of_no_size():
    """A least-squares search walks through zero: the change with each term is what its own
    first order says, dw/dd1 = -w0 t and dw/dd2 = -w0^2 t without other terms."""
    step = 1e-13
    for place, slope in ((1, -400.0 * 2.0), (2, -(400.0**2) * 2.0)):
        terms = np.zeros((2, 3))
        terms[:, place] = [-step, step]
        below, above = speed_after(2.0, 400.0, *terms.T)
        # rounding of 400 against a change of 1e-10 or 1e-8
        assert above - below == pytest.approx(2.0 * step * slope, abs=3e-13)


def test_speed_after_the_stop_is_zero():
    times = np.array([0.0, 15.0, 20.0, 20.0001, 1e3, 1e9])
    assert speed_after(times, 400.0, 20.0, 0.0, 0.0).tolist() == [400.0, 100.0, 0.0, 0.0, 0.0, 0.0]
    assert speed_after(1e6, 400.0, 20.0, 0.0, 1e-4) == 0.0  # the tangent would come round again


def test_hard_braking_does_not_overflow():
    """Viscous only: 400 exp(-1000 t); the rest of the digits is exact to rounding."""
    found = speed_after([0.01, 0.5, 1e6], 400.0, 0.0, 1e3, 0.0)
    assert found == pytest.approx([400.0 * np.exp(-10.0), 400.0 * np.exp(-500.0), 0.0], rel=1e-12)


def test_what_never_gets_there_takes_for_ever():
    assert time_to_reach(400.0, 0.0, 0.0, 0.05, 0.0) == np.inf
    assert time_to_reach(400.0, 0.0, 0.0, 0.0, 1e-4) == np.inf
    assert time_to_reach(400.0, 10.0, -1.0, 0.05, 0.0) == np.inf  # ends at 20 rad/s
    assert time_to_reach(400.0, 100.0, 20.0, 0.0, -1e-3) == np.inf  # driven, not braked
    assert time_to_reach(400.0, 100.0, 8.0, -0.12, 4e-4) == np.inf  # stays at 200 rad/s
    assert time_to_reach(400.0, 400.0, 0.0, 0.0, 0.0) == 0.0


def test_a_machine_without_coulomb_friction_is_a_first_order_lag():
    """python-control: b/J = 0.04 per second, from 400 rad/s and no input."""
    lag = BrushedMachine(emf_constant=0.055, armature_resistance=0.8, viscous_coefficient=4e-5)
    times = np.linspace(0.0, 100.0, 51)
    system = control.ss([[-0.04]], [[1.0]], [[1.0]], [[0.0]])
    _, expected = control.initial_response(system, times, 400.0)
    run = coast_down(lag, J, 400.0, times)
    assert run.speed == pytest.approx(expected, rel=1e-9)
    assert run.stop == np.inf


def test_coefficients_by_hand():
    """2.2 ohm outside makes 3 ohm around: (0.055)^2/3 on b, 0.055 * 0.6/3 off T0, over J."""
    found = retardation_coefficients(MACHINE, J, load=2.2)
    expected = [(0.02 - 0.011) / J, (4e-5 + 0.055**2 / 3.0) / J, 1e-7 / J]
    assert found == pytest.approx(expected, rel=1e-12)
    assert retardation_coefficients(MACHINE, J) == pytest.approx([20.0, 0.04, 1e-4], rel=1e-12)


@pytest.mark.parametrize("machine", [MACHINE, REACTING, WITHOUT_DROP])
@pytest.mark.parametrize("load", [0.0, 2.0, 40.0, 1e4])
def test_coast_down_on_a_resistor_agrees_with_the_torque_balance(machine, load):
    """Integrated in the speed, the current found anew at each step."""
    times = np.linspace(0.0, 0.95, 6) * coasting_time(machine, J, 400.0, load=load)

    def rate(_t, w):
        current = current_on_resistor(machine, w, load)
        return -braking_power(machine, w, current) / w / J

    found = solve_ivp(
        rate, (0.0, times[-1]), [400.0], t_eval=times, method="DOP853", rtol=1e-12, atol=1e-11
    )
    run = coast_down(machine, J, 400.0, times, load=load)
    assert run.speed == pytest.approx(found.y[0], rel=1e-9)
    assert run.voltage == pytest.approx(-run.current * load, rel=1e-12)
    # the circuit closes: what the machine shows is what the resistor has across it
    shown = terminal_voltage(machine, run.speed, run.current)
    assert shown == pytest.approx(run.voltage, abs=1e-9 * 22.0)


@pytest.mark.parametrize("machine", [MACHINE, REACTING, WITHOUT_DROP])
@pytest.mark.parametrize("load", [0.0, 2.0, 1e4])
def test_two_ways_to_the_time_on_a_resistor(machine, load):
    """Gauss's rule over the current, and an integrator with an event at the stop."""
    run = coast_down(machine, J, 400.0, [0.0], load=load)
    assert run.stop == pytest.approx(coasting_time(machine, J, 400.0, load=load), rel=1e-10)


def test_coasting_time_on_a_resistor_without_drop_is_the_closed_form():
    coefficients = retardation_coefficients(WITHOUT_DROP, J, load=3.0)
    found = coasting_time(WITHOUT_DROP, J, 400.0, [0.0, 50.0], load=3.0)
    expected = time_to_reach(400.0, [0.0, 50.0], *coefficients)
    assert found == pytest.approx(expected, rel=1e-12)


def test_a_full_brush_drop_is_the_closed_form():
    """Down to 60 rad/s the current is above twenty brush scales: tanh is one."""
    coefficients = retardation_coefficients(MACHINE, J, load=2.0)
    found = coasting_time(MACHINE, J, 400.0, 100.0, load=2.0)
    assert found == pytest.approx(time_to_reach(400.0, 100.0, *coefficients), rel=1e-12)


def test_a_braked_machine_without_dry_friction_never_stands():
    smooth = BrushedMachine(emf_constant=0.055, armature_resistance=0.8, brush_drop=0.6)
    assert coasting_time(smooth, J, 400.0, load=2.0) == np.inf
    run = coast_down(smooth, J, 400.0, [0.5, 50.0], load=2.0)
    assert run.stop == np.inf
    assert 0.0 < run.speed[1] < run.speed[0] < 400.0


def test_warm_machine_brakes_less():
    cold = coasting_time(MACHINE, J, 400.0, load=1.0)
    warm = coasting_time(MACHINE, J, 400.0, load=1.0, winding_factor=1.3, magnet_factor=0.95)
    run = coast_down(MACHINE, J, 400.0, [0.0], load=1.0, winding_factor=1.3, magnet_factor=0.95)
    assert warm > 1.1 * cold
    assert run.stop == pytest.approx(warm, rel=1e-10)


def test_draws_and_loads_broadcast():
    draws = BrushedMachine(
        emf_constant=np.array([[0.05], [0.06]]), armature_resistance=0.8, coulomb_torque=0.02
    )
    found = coasting_time(draws, np.array([[1e-3], [2e-3]]), 400.0, load=[1.0, 5.0, np.inf])
    alone = BrushedMachine(emf_constant=0.06, armature_resistance=0.8, coulomb_torque=0.02)
    assert found.shape == (2, 3)
    assert found[1, 1] == pytest.approx(coasting_time(alone, 2e-3, 400.0, load=5.0), rel=1e-13)
    assert found[:, 2] == pytest.approx([20.0, 40.0], rel=1e-13)


def integral(function, stop):
    """Gauss's rule on panels that are equal in time; past the steep start the rest is smooth."""
    nodes, weights = np.polynomial.legendre.leggauss(10)
    edges = np.linspace(0.0, stop, 201)
    half = 0.5 * np.diff(edges)[:, None]
    times = edges[:-1, None] + half * (1.0 + nodes)
    return np.sum(half * weights * function(times.ravel()).reshape(times.shape))


@pytest.mark.parametrize("load", [np.inf, 40.0, 2.0, 0.0])
@pytest.mark.parametrize("machine", [MACHINE, REACTING, WITHOUT_DROP])
def test_all_energy_of_motion_is_accounted_for(machine, load):
    """Loss torque, copper, brushes and resistor together take J w^2/2: to a millionth."""
    start = 0.5 * J * 400.0**2
    stop = coast_down(machine, J, 400.0, [0.0], load=load).stop

    def run(times):
        return coast_down(machine, J, 400.0, times, load=load)

    def braking(times):
        down = run(times)
        return braking_power(machine, down.speed, down.current)

    def parts(times):
        down = run(times)
        turning = loss_torque(machine, down.speed) * down.speed
        inside = 0.8 * down.current**2 + np.asarray(machine.brush_drop) * np.tanh(
            np.abs(down.current) / machine.brush_current_scale
        ) * np.abs(down.current)
        return turning + inside - terminal_power(machine, down.speed, down.current)

    assert integral(braking, stop) == pytest.approx(start, rel=1e-6)
    assert integral(parts, stop) == pytest.approx(start, rel=1e-6)
