"""Textbook DC machines: constant flux is exactly a permanent-magnet machine.

Where a textbook machine has a shunt field, its current is taken off (motor) or added
(generator) first, and rotational loss that the book holds constant in watts is made a
torque at the speed in question. Tolerances are half a unit of the last printed digit
unless a test says otherwise.
"""

import numpy as np
import pytest
from invented_profile import exact_profile

from motorfit.machine.brushed import (
    BrushedMachine,
    efficiency,
    shaft_power,
    shaft_torque,
    terminal_power,
    terminal_voltage,
)
from motorfit.machine.operating import current_at_voltage, current_on_resistor, free_running

RPM = np.pi / 30

#: Fitzgerald, Kingsley and Umans, Electric Machinery (6th ed. 2003), Example 7.1, p. 371.
SEPARATELY_EXCITED = BrushedMachine(emf_constant=125.0 / (3000 * RPM), armature_resistance=0.02)


def lossy(speed: float, emf: float, loss: float, **fields: float) -> BrushedMachine:
    """A machine with this EMF and rotational loss (in watts) at one speed."""
    return BrushedMachine(emf_constant=emf / speed, coulomb_torque=loss / speed, **fields)


@pytest.mark.parametrize(
    ("voltage", "current", "terminal", "air_gap", "torque"),
    [(128.0, 150.0, 19.2e3, 18.75e3, 59.7), (124.0, -50.0, -6.20e3, -6.25e3, -19.9)],
    ids=["motor", "generator"],
)
def test_motor_or_generator_by_its_terminal_voltage(voltage, current, terminal, air_gap, torque):
    """Fitzgerald, Kingsley and Umans, Example 7.1, p. 371: 125 V at 3000 r/min, 0.02 ohm."""
    speed = 3000 * RPM
    found = current_at_voltage(SEPARATELY_EXCITED, speed, voltage)
    assert found == pytest.approx(current, rel=1e-9)  # exact: a voltage over a resistance
    assert terminal_power(SEPARATELY_EXCITED, speed, found) == pytest.approx(terminal, rel=1e-9)
    assert shaft_power(SEPARATELY_EXCITED, speed, found) == pytest.approx(air_gap, rel=1e-9)
    assert shaft_torque(SEPARATELY_EXCITED, speed, found) == pytest.approx(torque, abs=0.05)


def test_a_profile_predicts_the_same_machine():
    """Fitzgerald, Kingsley and Umans, Example 7.1, p. 371, through a profile without doubt."""
    profile = exact_profile(SEPARATELY_EXCITED)
    found = profile.current(speed=3000 * RPM, voltage=[128.0, 124.0])
    # the brush drop of the profile is zero, so nothing but the root's 1e-14 is left
    assert found.value == pytest.approx([150.0, -50.0], rel=1e-9)
    assert found.standard_uncertainty == pytest.approx([0.0, 0.0], abs=1e-9)
    power = profile.terminal_power(speed=3000 * RPM, voltage=[128.0, 124.0])
    assert power.value == pytest.approx([19.2e3, -6.20e3], rel=1e-9)


def test_speed_from_terminal_power():
    """Fitzgerald, Kingsley and Umans, Example 7.2, p. 372: 123 V, 21.9 kW, so 2867 r/min."""
    current = 21.9e3 / 123.0
    assert current == pytest.approx(178.0, abs=0.5)
    emf_constant = SEPARATELY_EXCITED.emf_constant
    speed, _ = free_running(SEPARATELY_EXCITED, 123.0, brake_torque=emf_constant * current)
    # the book rounds the EMF to 119.4 V, 0.04 V off, which is 1 r/min
    assert speed / RPM == pytest.approx(2867, abs=1.0)


def test_permanent_magnet_motor_from_standstill_and_no_load():
    """Fitzgerald, Kingsley and Umans (6th ed.), chapter 7, section on permanent-magnet motors.

    1.03 ohm; no load at 50 V: 2100 r/min, 1.25 A; then 1700 r/min from 48 V. The book
    rounds the constant to 0.22 V s/rad and so gets 8.54 A and 274 W; unrounded it is 8.317 A
    and 267.1 W. Both are tested, the printed ones to the 3 % of that rounding.
    """
    idle = 50.0 - 1.03 * 1.25
    machine = BrushedMachine(
        emf_constant=idle / (2100 * RPM),
        armature_resistance=1.03,
        coulomb_torque=idle * 1.25 / (1700 * RPM),
    )
    assert machine.emf_constant == pytest.approx(0.22, abs=0.005)
    current = current_at_voltage(machine, 1700 * RPM, 48.0)
    output = shaft_power(machine, 1700 * RPM, current)
    assert current == pytest.approx(8.317, abs=0.0005)
    assert output == pytest.approx(267.1, abs=0.05)
    assert current == pytest.approx(8.54, rel=0.03)
    assert output == pytest.approx(274, rel=0.03)


def test_permanent_magnet_motor_at_no_load_and_full_load():
    """Hughes, Electric Motors and Drives, chapter 3: 500 V, 1 ohm, 20 A; 0.8 A at 1040 rev/min."""
    emf_constant = 499.2 / (1040 * RPM)
    machine = BrushedMachine(
        emf_constant=emf_constant, armature_resistance=1.0, coulomb_torque=0.8 * emf_constant
    )
    idle, idle_current = free_running(machine, 500.0)
    assert idle / RPM == pytest.approx(1040, abs=0.5)
    assert idle_current == pytest.approx(0.8, abs=0.05)
    speed, current = free_running(machine, 500.0, brake_torque=19.2 * emf_constant)
    assert current == pytest.approx(20.0, abs=0.05)
    assert speed / RPM == pytest.approx(1000, abs=0.5)
    assert emf_constant == pytest.approx(4.58, abs=0.005)
    assert emf_constant * current == pytest.approx(91.7, abs=0.05)


def test_speed_and_torque_against_load():
    """Chapman, Electric Machinery Fundamentals (4th ed.), Examples 9-1 and 9-2.

    250 V at 1200 r/min without load, 0.06 ohm, 5 A of field; 100, 200 and 300 A of line.
    """
    machine = BrushedMachine(emf_constant=250.0 / (1200 * RPM), armature_resistance=0.06)
    current = np.array([100.0, 200.0, 300.0]) - 5.0
    torque = machine.emf_constant * current
    speed, settled = free_running(machine, 250.0, brake_torque=torque)
    assert settled == pytest.approx(current, rel=1e-9)
    assert speed / RPM == pytest.approx([1173, 1144, 1115], abs=0.5)
    # the first is printed one unit above what its own inputs give, 188.9965
    assert torque == pytest.approx([190, 388, 587], abs=1.004)


def test_no_load_test_then_efficiency():
    """Sen, Principles of Electric Machines and Power Electronics, chapter 4.

    100 V, 0.1 ohm, field 0.99 A; no load 6 A at 1000 r/min; 120 A at load.
    """
    emf_constant = 99.4 / (1000 * RPM)
    speed = 88.0 / emf_constant
    machine = BrushedMachine(
        emf_constant=emf_constant, armature_resistance=0.1, coulomb_torque=596.4 / speed
    )
    assert current_at_voltage(machine, speed, 100.0) == pytest.approx(120.0, rel=1e-9)
    assert speed / RPM == pytest.approx(885.31, abs=0.005)
    assert emf_constant * 120.0 == pytest.approx(113.9, abs=0.05)
    output = shaft_power(machine, speed, 120.0)
    assert output == pytest.approx(9963.6, abs=0.05)
    assert output / (100.0 * 120.99) == pytest.approx(0.8235, abs=5e-5)


def test_rotational_loss_from_the_name_plate_and_weakened_field():
    """A textbook's Examples 20-2 and 20-3, pp. 770 and 771 (believed Del Toro, Electrical
    Engineering Fundamentals): 230 V, 73 A, 0.188 ohm, 1150 r/min, 20 hp of 746 W; then the
    flux at 80 % with the same torque.
    """
    speed = 1150 * RPM
    machine = BrushedMachine(emf_constant=(230.0 - 0.188 * 73.0) / speed, armature_resistance=0.188)
    torque = shaft_torque(machine, speed, 73.0)
    assert torque == pytest.approx(131.10, abs=0.005)
    assert shaft_power(machine, speed, 73.0) - 20 * 746 == pytest.approx(868.15, abs=0.005)
    weakened, _ = free_running(machine, 230.0, brake_torque=torque, magnet_factor=0.8)
    # printed 1414.54 with the EMF rounded to 216.3 V, 0.011 % off: 0.16 r/min
    assert weakened / RPM == pytest.approx(1414.54, abs=0.17)


def test_running_light_then_generator_efficiency():
    """Kosow, Electric Machinery and Transformers (2nd ed.), Example 12-1, p. 412.

    10 kW, 230 V, 0.2 ohm, field 230 ohm; run light at rated speed with 245 V and 2 A.
    """
    loss = 245.0 * 2.0 - 0.2 * 2.0**2
    assert loss == pytest.approx(489.2, abs=0.05)
    current = 10e3 / 230.0 + 1.0
    speed = 100.0  # any: it cancels
    machine = lossy(speed, 230.0 + 0.2 * current, loss, armature_resistance=0.2)
    assert current_at_voltage(machine, speed, 230.0) == pytest.approx(-current, rel=1e-9)
    driven = -shaft_power(machine, speed, -current)
    assert 10e3 / driven == pytest.approx(0.900, abs=5e-4)


@pytest.mark.parametrize(
    ("voltage", "idle", "resistance", "field", "line", "output", "share"),
    [
        (440.0, 2.5, 1.2, 550.0, 32.0, 11815.34, 0.8392),
        (500.0, 5.0, 0.5, 250.0, 100.0, 42702.5, 0.85405),
        (500.0, 5.0, 0.22, 250.0, 100.0, 45389.1, 0.9078),
        (500.0, 5.0, 0.5, 250.0, 50.0, 21352.5, 0.8541),
        (500.0, 4.0, 0.5, 250.0, 40.0, 17280.0, 0.864),
    ],
    ids=["3.2", "3.8", "3.9", "3.14", "3.16"],
)
def test_no_load_test_of_a_motor(voltage, idle, resistance, field, line, output, share):
    """Bakshi and Bakshi, DC Machines and Synchronous Machines, chapter 3, the examples named."""
    idle_current, current = idle - voltage / field, line - voltage / field
    rotational = (voltage - resistance * idle_current) * idle_current
    speed = 100.0  # any: it cancels
    machine = lossy(
        speed, voltage - resistance * current, rotational, armature_resistance=resistance
    )
    assert current_at_voltage(machine, speed, voltage) == pytest.approx(current, rel=1e-9)
    found = shaft_power(machine, speed, current)
    assert found == pytest.approx(output, abs=0.05)
    # efficiency is printed to four digits
    assert found / (voltage * line) == pytest.approx(share, abs=5e-5)


def test_brush_drop_in_the_loss_balance():
    """Bakshi and Bakshi, chapter 3, Example 3.3: 230 V, 0.032 ohm, 2 V of brushes, 45 kW out.

    No load 14 A, of which the field takes 2.55 A. The full-load current solves
    0.032 I^2 - 228 I + 47 606.4 = 0.
    """
    rotational = (230.0 - 2.0 - 0.032 * 11.45) * 11.45
    assert rotational + 230.0 * 2.55 == pytest.approx(3192.9, abs=0.1)
    current = 215.31
    speed = 100.0
    machine = lossy(
        speed,
        230.0 - 2.0 - 0.032 * current,
        rotational,
        armature_resistance=0.032,
        brush_drop=2.0,
    )
    assert terminal_voltage(machine, speed, current) == pytest.approx(230.0, rel=1e-12)
    # 0.005 A of rounding in the printed current is 1.1 W
    assert shaft_power(machine, speed, current) == pytest.approx(45e3, abs=1.1)
    assert 45e3 / (230.0 * (current + 2.55)) == pytest.approx(0.8981, abs=5e-5)


def test_full_loss_sheet_with_brush_drop():
    """Bakshi and Bakshi, chapter 3, Example 3.13: 240 V, 25 metric hp of 735.5 W, 0.14 ohm,
    1 V a brush, armature 92 A: EMF 225.12 V, core and mechanical loss 2323.54 W.
    """
    speed = 100.0
    machine = lossy(speed, 225.12, 2323.54, armature_resistance=0.14, brush_drop=2.0)
    assert current_at_voltage(machine, speed, 240.0) == pytest.approx(92.0, abs=0.005 / 0.14)
    output = shaft_power(machine, speed, 92.0)
    assert output == pytest.approx(25 * 735.5, abs=0.005)
    assert output / (240.0 * 95.0) == pytest.approx(0.8065, abs=5e-5)


def test_torque_from_electrical_readings():
    """Bakshi and Bakshi, chapter 3, Example 3.12: 200 V, 0.1 ohm, 236 W, 9.8 A, 1450 r/min."""
    current = 9.8 - 200.0 / 240.0
    speed = 1450 * RPM
    machine = lossy(speed, 200.0 - 0.1 * current, 236.0, armature_resistance=0.1)
    found = current_at_voltage(machine, speed, 200.0)
    assert shaft_torque(machine, speed, found) == pytest.approx(10.20, abs=0.005)
    assert shaft_power(machine, speed, found) == pytest.approx(1549.29, abs=0.005)
    assert shaft_power(machine, speed, found) / (200.0 * 9.8) == pytest.approx(0.7905, abs=5e-5)


def test_speed_torque_and_efficiency_from_winding_data():
    """Bakshi and Bakshi, chapter 3, Example 3.1, p. 5.

    6 poles, 2 paths, 1200 conductors, 20 mWb a pole, 0.5 ohm, 500 V, 18 A in the armature,
    900 W mechanical loss.
    """
    emf_constant = 0.020 * 1200 * 6 / (2 * np.pi * 2)
    machine = BrushedMachine(
        emf_constant=emf_constant,
        armature_resistance=0.5,
        coulomb_torque=900.0 / (409.167 * RPM),
    )
    useful = emf_constant * 18.0 - machine.coulomb_torque
    speed, current = free_running(machine, 500.0, brake_torque=useful)
    assert speed / RPM == pytest.approx(409.167, abs=0.0005)
    assert emf_constant * current == pytest.approx(206.26, abs=0.005)
    # 185.26 is printed from rounded parts: one unit of its last digit
    assert shaft_torque(machine, speed, current) == pytest.approx(185.26, abs=0.01)
    assert shaft_power(machine, speed, current) / 10e3 == pytest.approx(0.7938, abs=5e-5)


def test_generated_voltage_with_brush_drop():
    """Theraja, A Textbook of Electrical Technology, vol. II, Example 26.4, p. 913.

    500 V and 52 A through 0.05 and 0.03 ohm and 1 V a brush: 506.16 V generated.
    """
    machine = BrushedMachine(emf_constant=506.16, armature_resistance=0.08, brush_drop=2.0)
    assert terminal_voltage(machine, 1.0, -52.0) == pytest.approx(500.0, abs=0.005)


def test_back_emf_without_and_with_load():
    """Ohio University, Basic Electrical Engineering lecture notes, section 13.5.

    250 V, field 2 A, 0.25 ohm; 5 A at 1200 r/min without load, 52 A with.
    """
    machine = BrushedMachine(emf_constant=249.25 / (1200 * RPM), armature_resistance=0.25)
    assert terminal_voltage(machine, 1200 * RPM, 3.0) == pytest.approx(250.0, abs=0.005)
    speed, current = free_running(machine, 250.0, brake_torque=50.0 * machine.emf_constant)
    assert machine.emf_constant * speed == pytest.approx(237.5, abs=0.05)
    assert current == pytest.approx(50.0, rel=1e-9)
    assert speed / RPM == pytest.approx(1143.4, abs=0.05)


def test_best_efficiency_of_a_permanent_magnet_motor():
    """Closed form: constant loss torque gives (1 - sqrt(I0/Is))^2 at sqrt(I0 Is)."""
    machine = BrushedMachine(emf_constant=1.0, armature_resistance=1.0, coulomb_torque=0.5)
    currents = np.linspace(1.0, 20.0, 191)  # steps of 0.1 A, 5.0 A among them
    speed, settled = free_running(machine, 50.0, brake_torque=currents - 0.5)
    share = efficiency(machine, speed, settled)
    best = np.argmax(share)
    assert settled[best] == pytest.approx(5.0, abs=1e-9)
    assert share[best] == pytest.approx(0.81, abs=1e-12)


def test_maximum_power_transfer():
    """Closed form: 24 V behind 0.5 ohm gives at most E^2/(4 R) = 288 W, on 0.5 ohm."""
    machine = BrushedMachine(emf_constant=0.24, armature_resistance=0.5)
    loads = np.linspace(0.1, 2.0, 191)  # steps of 0.01 ohm, 0.5 ohm among them
    current = current_on_resistor(machine, 100.0, loads)
    power = -terminal_power(machine, 100.0, current)
    best = np.argmax(power)
    assert loads[best] == pytest.approx(0.5, abs=1e-9)
    assert -current[best] == pytest.approx(24.0, abs=1e-9)
    assert power[best] == pytest.approx(288.0, abs=1e-9)
    assert efficiency(machine, 100.0, current[best]) == pytest.approx(0.5, abs=1e-12)
