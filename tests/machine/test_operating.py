"""Where a machine settles: closed forms by hand, and that both equations hold there."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from motorfit.machine.brushed import BrushedMachine, shaft_torque, terminal_voltage
from motorfit.machine.operating import current_at_voltage, current_on_resistor, free_running

PLAIN = BrushedMachine(emf_constant=0.05, armature_resistance=0.5)

machines = st.builds(
    BrushedMachine,
    emf_constant=st.floats(0.005, 0.5),
    armature_resistance=st.floats(0.05, 5.0),
    brush_drop=st.floats(0.0, 2.0),
    coulomb_torque=st.floats(0.0, 0.02),
    viscous_coefficient=st.floats(0.0, 1e-4),
    windage_coefficient=st.floats(0.0, 1e-7),
    brush_current_scale=st.floats(0.02, 0.5),
)
speeds = st.floats(1.0, 500.0)


def test_current_on_a_resistor_by_hand():
    # 10 V behind 0.5 ohm on 4.5 ohm is 2 A; on 0.5 ohm 10 A. Tolerance: the root's, 1e-14
    current = current_on_resistor(PLAIN, 200.0, [4.5, 0.5])
    assert current == pytest.approx([-2.0, -10.0], rel=1e-12)


def test_nothing_connected_carries_no_current():
    current = current_on_resistor(PLAIN, [0.0, 200.0], np.inf)
    assert current.tolist() == [0.0, 0.0]
    assert not np.signbit(current).any()  # shown as 0, not -0


def test_brush_drop_takes_its_share_of_the_emf():
    # far above the brush scale: (10 - 1) V / 5 ohm
    machine = BrushedMachine(
        emf_constant=0.05, armature_resistance=0.5, brush_drop=1.0, brush_current_scale=0.01
    )
    assert current_on_resistor(machine, 200.0, 4.5) == pytest.approx(-1.8, rel=1e-12)


def test_armature_reaction_on_a_resistor_by_hand():
    # k w (1 - a i) = (R + RL) i, so i = 10 / (5 + 0.02 x 10)
    machine = BrushedMachine(emf_constant=0.05, armature_resistance=0.5, armature_reaction=0.02)
    assert current_on_resistor(machine, 200.0, 4.5) == pytest.approx(-10 / 5.2, rel=1e-12)


def test_current_at_a_voltage_by_hand():
    # (12 - 10) V / 0.5 ohm drawn, (8 - 10) V / 0.5 ohm given
    current = current_at_voltage(PLAIN, 200.0, [12.0, 10.0, 8.0])
    assert current == pytest.approx([4.0, 0.0, -4.0], abs=1e-9)  # the bracket's own width at zero


def test_no_current_settles_where_armature_reaction_outweighs_resistance():
    # a k w = 0.06 x 10 > R = 0.5: more current needs less voltage
    machine = BrushedMachine(emf_constant=0.05, armature_resistance=0.5, armature_reaction=0.06)
    drawn, given_back = current_at_voltage(machine, 200.0, [12.0, 8.0])
    assert np.isnan(drawn)
    assert given_back == pytest.approx(-2.0 / (0.5 + 0.6), rel=1e-12)


def test_free_running_by_hand():
    # 0.01 N m takes 0.2 A, 0.1 V in 0.5 ohm: (12 - 0.1) / 0.05 rad/s
    machine = BrushedMachine(emf_constant=0.05, armature_resistance=0.5, coulomb_torque=0.01)
    speed, current = free_running(machine, 12.0)
    assert speed == pytest.approx(238.0, rel=1e-12)
    assert current == pytest.approx(0.2, rel=1e-12)


def test_free_running_with_viscous_loss_by_hand():
    # k w + R b w / k = v: w = 12 / (0.05 + 0.5 x 1e-4 / 0.05)
    machine = BrushedMachine(emf_constant=0.05, armature_resistance=0.5, viscous_coefficient=1e-4)
    speed, _ = free_running(machine, 12.0)
    assert speed == pytest.approx(12 / 0.051, rel=1e-12)


def test_braked_motor_with_armature_reaction_satisfies_both_equations():
    machine = BrushedMachine(
        emf_constant=0.05,
        armature_resistance=0.5,
        coulomb_torque=0.01,
        armature_reaction=0.01,
    )
    speed, current = free_running(machine, [12.0, 24.0], brake_torque=0.2)
    assert shaft_torque(machine, speed, current) == pytest.approx([0.2, 0.2], rel=1e-10)
    assert terminal_voltage(machine, speed, current) == pytest.approx([12.0, 24.0], rel=1e-10)


def test_a_motor_that_cannot_start_has_no_speed():
    # 1 V drives at most 2 A through 0.5 ohm, 0.1 N m: less than the 0.2 N m of the brake
    speed, _ = free_running(PLAIN, 1.0, brake_torque=0.2)
    assert np.isnan(speed)


def test_no_current_is_enough_beyond_the_peak_of_weakened_torque():
    # k i (1 - a i) is at most k / (4 a) = 0.0125 N m
    machine = BrushedMachine(emf_constant=0.05, armature_resistance=0.01, armature_reaction=1.0)
    speed, current = free_running(machine, 12.0, brake_torque=0.02)
    assert np.isnan(speed)
    assert np.isnan(current)


def test_draws_that_differ_in_one_parameter_alone_are_told_apart():
    machine = BrushedMachine(
        emf_constant=0.05, armature_resistance=np.array([[0.5], [1.5]]), coulomb_torque=0.01
    )
    assert current_on_resistor(machine, [100.0, 200.0], 4.5).shape == (2, 2)
    speed, _ = free_running(machine, [12.0, 24.0])
    # 0.2 A in 0.5 and in 1.5 ohm
    assert speed == pytest.approx(np.array([[238.0, 478.0], [234.0, 474.0]]), rel=1e-12)


@given(machines, speeds, st.floats(0.1, 100.0))
def test_a_resistor_takes_what_the_machine_gives(machine, speed, load):
    current = current_on_resistor(machine, speed, load)
    # the root is found to 1e-14 of the voltage
    assert terminal_voltage(machine, speed, current) == pytest.approx(
        -load * current, rel=1e-9, abs=1e-12
    )
    assert current <= 0


@given(machines, speeds, st.floats(-50.0, 50.0))
def test_the_current_at_a_voltage_gives_that_voltage_back(machine, speed, voltage):
    current = current_at_voltage(machine, speed, voltage)
    # steepest at the origin, R + Vb/i0 < 105 V/A, times the root's width
    assert terminal_voltage(machine, speed, current) == pytest.approx(voltage, abs=1e-9)


@given(machines, st.floats(1.0, 100.0), st.floats(0.0, 0.05))
def test_a_free_motor_satisfies_both_equations(machine, voltage, brake):
    speed, current = free_running(machine, voltage, brake_torque=brake)
    if np.isnan(speed):
        stalled = brake + machine.coulomb_torque
        # it does not start: the starting current at that voltage would not do
        start = current_at_voltage(machine, 0.0, voltage)
        assert machine.emf_constant * start <= stalled * (1 + 1e-6)
        return
    assert terminal_voltage(machine, speed, current) == pytest.approx(voltage, rel=1e-9)
    assert shaft_torque(machine, speed, current) == pytest.approx(brake, abs=1e-12)
