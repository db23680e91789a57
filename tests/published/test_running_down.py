"""Retardation and brake tests of textbooks, and closed forms worked by hand."""

import numpy as np
import pytest

from motorfit.machine.brushed import BrushedMachine, efficiency, shaft_power
from motorfit.machine.coasting import coasting_time, retardation_coefficients, speed_after
from motorfit.machine.operating import free_running
from motorfit.machine.slowing import time_to_reach

RPM = np.pi / 30
GRAVITY = 9.81  # as the book has it [m/s2]


@pytest.mark.parametrize(
    ("high", "low", "current", "alone", "loaded", "loss", "rounding"),
    [
        (240.0, 220.0, 10.0, 25.0, 6.0, 726.32, 0.005),
        (220.0, 190.0, 12.0, 30.0, 5.0, 492.0, 0.5),
        (220.0, 190.0, 10.0, 30.0, 20.0, 4100.0, 0.5),
    ],
    ids=["3.5", "3.21", "3.22"],
)
def test_running_down_with_a_known_electrical_load(
    high, low, current, alone, loaded, loss, rounding
):
    """Bakshi and Bakshi, chapter 3, Examples 3.5, 3.21, 3.22: W = W' t2 / (t1 - t2).

    The EMF is the speed. As the book does, torque is held through the narrow range at what
    the powers make it in its middle. The inertia that the run alone gives with the book's
    loss must give the book's time with the load as well.
    """
    middle = 0.5 * (high + low)
    coulomb = loss / middle
    inertia = coulomb * alone / (high - low)
    added = middle * current / middle
    assert time_to_reach(high, low, coulomb / inertia, 0.0, 0.0) == pytest.approx(alone, rel=1e-12)
    found = time_to_reach(high, low, (coulomb + added) / inertia, 0.0, 0.0)
    # what half a unit of the printed loss moves the time by: dt2/dW = t2 (1/W - 1/(W + W'))
    slack = loaded * rounding * (1.0 / loss - 1.0 / (loss + middle * current))
    assert found == pytest.approx(loaded, abs=max(slack, 1e-9))


@pytest.mark.parametrize(
    ("line", "resistance", "field", "loss", "total", "share"),
    [(25.0, 0.3, 200.0, 726.32, 1208.03, 0.8067), (22.0, 0.5, 250.0, 492.0, 962.5, 0.825)],
    ids=["3.5", "3.21"],
)
def test_efficiency_after_a_running_down_test(line, resistance, field, loss, total, share):
    """Examples 3.5 and 3.21, 250 V: what a machine with the loss found so makes of its input.

    The field takes its current beside the machine; any speed will do, for it cancels.
    """
    current, speed = line - 250.0 / field, 100.0
    turning = BrushedMachine(
        emf_constant=(250.0 - resistance * current) / speed,
        armature_resistance=resistance,
        coulomb_torque=loss / speed,
    )
    output = shaft_power(turning, speed, current)
    assert 250.0 * line - output == pytest.approx(total, abs=0.01)
    assert output / (250.0 * line) == pytest.approx(share, abs=5e-5)


#: J dw/dt = -(Tc + b w + c w^2), from 400 rad/s.
TORQUE, VISCOUS, WINDAGE, INERTIA, START = 0.02, 5e-5, 1e-7, 1e-3, 400.0


def machine(torque: float, viscous: float, windage: float) -> BrushedMachine:
    return BrushedMachine(
        emf_constant=0.05,
        armature_resistance=1.0,
        coulomb_torque=torque,
        viscous_coefficient=viscous,
        windage_coefficient=windage,
    )


@pytest.mark.parametrize(
    ("terms", "stop", "half"),
    [
        ((TORQUE, 0.0, 0.0), 20.0, 10.0),
        ((0.0, VISCOUS, 0.0), np.inf, 13.862944),
        ((TORQUE, VISCOUS, 0.0), 13.862944, 5.753641),
        ((TORQUE, 0.0, WINDAGE), 16.317206, None),
        ((TORQUE, VISCOUS, WINDAGE), 12.382846, 4.605851),
    ],
    ids=["Tc", "b", "Tc b", "Tc c", "all"],
)
def test_closed_forms_of_coasting(terms, stop, half):
    """Exact, worked by hand from the integrals, to six decimals of a second."""
    found = coasting_time(machine(*terms), INERTIA, START, [0.0, 200.0])
    assert found[0] == pytest.approx(stop, abs=5e-7)
    if half is not None:
        assert found[1] == pytest.approx(half, abs=5e-7)


def test_viscous_friction_alone_leaves_an_exponential():
    """400 exp(-0.5) = 242.612 264 rad/s after 10 s."""
    terms = retardation_coefficients(machine(0.0, VISCOUS, 0.0), INERTIA)
    assert speed_after(10.0, START, *terms) == pytest.approx(242.612_264, abs=5e-7)


def test_more_friction_than_swing_makes_logarithms():
    """D < 0, by partial fractions: c w^2 + b w + Tc = c (w + 100)(w + 2000) with c = 1e-7."""
    terms = machine(0.02, 2.1e-4, 1e-7)
    expected = 1e-3 / (1e-7 * 1900.0) * (np.log(500.0 / 2400.0) - np.log(100.0 / 2000.0))
    assert coasting_time(terms, INERTIA, START) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("pulls", "radius", "rpm", "voltage", "current", "torque", "output", "share", "rounding"),
    [
        ((35.0, 10.0), 0.20, 950.0, 200.0, 30.0, 49.05, 4877.0, 0.813, 2.7),
        ((9.1, 0.8), 0.075, 1320.0, 110.0, 10.0, 6.107, 844.1, 0.7674, 0.07),
    ],
    ids=["Theraja 31.2(a)", "Bakshi 3.4"],
)
def test_brake_test_with_spring_balances(
    pulls, radius, rpm, voltage, current, torque, output, share, rounding
):
    """Theraja, vol. II, Example 31.2(a), p. 1093, and Bakshi and Bakshi, Example 3.4.

    The first prints its output with pi as 3.14: 2.5 W of 4880; the second from a rounded
    torque. A machine of any resistance with the
    loss that this leaves takes that current at that speed.
    """
    load = (pulls[0] - pulls[1]) * GRAVITY * radius
    assert load == pytest.approx(torque, abs=0.005 if torque > 10 else 0.0005)
    speed = rpm * RPM
    constant = (voltage - 0.1 * current) / speed
    braked = BrushedMachine(
        emf_constant=constant,
        armature_resistance=0.1,
        coulomb_torque=constant * current - load,
    )
    turns, takes = free_running(braked, voltage, brake_torque=load)
    assert turns == pytest.approx(speed, rel=1e-9)
    assert takes == pytest.approx(current, rel=1e-9)
    assert shaft_power(braked, turns, takes) == pytest.approx(output, abs=rounding)
    # 3.14 for pi is 5 parts in 10 000 of the first; four digits of the second
    printed = 6e-4 if output > 1e3 else 5e-5
    assert efficiency(braked, turns, takes) == pytest.approx(share, abs=printed)
