"""Steady state of the brushed machine: by hand, and what must hold for any machine."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from motorfit.machine.brushed import (
    BrushedMachine,
    brush_saturation,
    efficiency,
    flux_factor,
    loss_torque,
    shaft_power,
    shaft_torque,
    terminal_power,
    terminal_voltage,
)

#: Round numbers, so that every result below can be had with pencil and paper.
ROUND = BrushedMachine(
    emf_constant=0.05,
    armature_resistance=0.5,
    brush_drop=1.0,
    coulomb_torque=0.01,
    viscous_coefficient=1e-4,
    windage_coefficient=1e-6,
    armature_reaction=0.02,
    brush_current_scale=0.01,
)

machines = st.builds(
    BrushedMachine,
    emf_constant=st.floats(0.001, 1.0),
    armature_resistance=st.floats(0.01, 10.0),
    brush_drop=st.floats(0.0, 2.0),
    coulomb_torque=st.floats(0.0, 0.5),
    viscous_coefficient=st.floats(0.0, 1e-3),
    windage_coefficient=st.floats(0.0, 1e-5),
    armature_reaction=st.floats(0.0, 0.005),
    brush_current_scale=st.floats(0.01, 0.5),
)
speeds = st.floats(1.0, 500.0)
currents = st.floats(-50.0, 50.0)


@pytest.mark.parametrize(
    ("current", "expected"),
    [
        # 0.05 x 200 x (1 - 0.02 x 5) = 9 V of EMF; +- 2.5 V in R; +- 1 V in the brushes
        (5.0, 12.5),
        (-5.0, 5.5),
        (0.0, 10.0),
    ],
)
def test_terminal_voltage_by_hand(current, expected):
    # tanh(500) is 1 in double precision, so nothing but rounding is left
    assert terminal_voltage(ROUND, 200.0, current) == pytest.approx(expected, rel=1e-14)


def test_heat_raises_the_drop_and_weakens_the_magnets():
    # EMF 9 V x 0.9, resistance 2.5 V x 1.2, brushes 1 V; tolerance: rounding alone
    hot = terminal_voltage(ROUND, 200.0, 5.0, winding_factor=1.2, magnet_factor=0.9)
    assert hot == pytest.approx(8.1 + 3.0 + 1.0, rel=1e-14)


def test_loss_torque_by_hand():
    # 0.01 + 1e-4 x 200 + 1e-6 x 200 x 200 N m; tolerance: rounding alone
    assert loss_torque(ROUND, 200.0) == pytest.approx(0.07, rel=1e-14)


@pytest.mark.parametrize(("current", "expected"), [(5.0, 0.225 - 0.07), (-5.0, -0.225 - 0.07)])
def test_shaft_torque_by_hand(current, expected):
    # 0.05 x (1 - 0.02 x 5) x 5 = 0.225 N m of air-gap torque, less the loss above
    assert shaft_torque(ROUND, 200.0, current) == pytest.approx(expected, rel=1e-14)


def test_powers_and_efficiency_by_hand():
    # motor: 12.5 V x 5 A in, 0.155 N m x 200 rad/s out; generator: 0.295 N m in, 5.5 V x 5 A out
    current = np.array([5.0, -5.0])
    assert terminal_power(ROUND, 200.0, current) == pytest.approx([62.5, -27.5], rel=1e-13)
    assert shaft_power(ROUND, 200.0, current) == pytest.approx([31.0, -59.0], rel=1e-13)
    assert efficiency(ROUND, 200.0, current) == pytest.approx([31 / 62.5, 27.5 / 59], rel=1e-13)


def test_efficiency_is_zero_where_power_goes_in_at_both_ends():
    # at 0.1 A the air-gap torque, 0.005 N m, does not cover the loss of 0.07 N m
    assert efficiency(ROUND, 200.0, 0.1) == 0.0
    assert efficiency(ROUND, 200.0, 0.0) == 0.0  # open circuit: driven, gives nothing


def test_efficiency_is_undefined_where_no_power_goes_in():
    assert np.isnan(efficiency(ROUND, 0.0, 0.0))


def test_brush_saturation_at_its_scale():
    # tanh(1) = 0.761594 (Abramowitz and Stegun, table 4.15), printed to six digits
    assert brush_saturation(0.1, 0.1) == pytest.approx(0.761594, abs=5e-7)


@pytest.mark.parametrize("scale", [0.0, -0.1, float("nan"), np.array([0.1, 0.0])])
def test_brush_scale_must_be_positive(scale):
    with pytest.raises(ValueError, match="scale must be positive, found"):
        brush_saturation(1.0, scale)


def test_a_missing_reading_stays_in_its_own_place():
    voltage = terminal_voltage(ROUND, [200.0, np.nan, 200.0], [5.0, 5.0, np.nan])
    assert np.isnan(voltage).tolist() == [False, True, True]


def test_draws_along_a_leading_axis_meet_readings():
    draws = BrushedMachine(
        emf_constant=np.array([[0.05], [0.06]]),
        armature_resistance=0.5,
        brush_current_scale=np.array([[0.1], [0.2]]),
    )
    assert terminal_voltage(draws, [100.0, 200.0, 300.0], 0.0) == pytest.approx(
        np.array([[5.0, 10.0, 15.0], [6.0, 12.0, 18.0]]), rel=1e-14
    )


@given(machines, speeds, currents)
def test_power_balance(machine, speed, current):
    """What goes in and does not come out is lost in winding, brushes, friction; no more."""
    loss = terminal_power(machine, speed, current) - shaft_power(machine, speed, current)
    scale = machine.brush_current_scale
    accounted = (
        machine.armature_resistance * current**2
        + machine.brush_drop * brush_saturation(current, scale) * current
        + loss_torque(machine, speed) * speed
    )
    largest = 1.0 + abs(terminal_power(machine, speed, current))
    assert loss == pytest.approx(accounted, abs=1e-12 * largest)  # rounding of the largest term


@given(machines, speeds, currents)
def test_efficiency_lies_between_nothing_and_all(machine, speed, current):
    share = efficiency(machine, speed, current)
    # half-way to the next number above 1 may be rounded up where losses vanish
    assert np.isnan(share) or 0.0 <= share <= 1.0 + 1e-12


@given(machines, speeds, currents)
def test_the_drop_turns_round_with_the_current(machine, speed, current):
    """At standstill, voltage is odd in current: the circuit has no direction of its own."""
    forth = terminal_voltage(machine, 0.0, current)
    assert terminal_voltage(machine, 0.0, -current) == -forth
    assert flux_factor(machine, current) == flux_factor(machine, -current)
    assert np.isfinite(terminal_voltage(machine, speed, current))
