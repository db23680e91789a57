"""The bound that the coverage study holds the fit against, where it has a closed form.

Source: the variances of a straight line, sigma^2 (1/n + xbar^2/Sxx) and sigma^2/Sxx with
covariance -sigma^2 xbar/Sxx, as in JCGM 100:2008, H.3.5 (written out there for the line of H.3).
"""

import numpy as np
import pytest

from motorfit.machine.brushed import BrushedMachine
from motorfit.quantities import Stated
from motorfit.simulation.instruments import VirtualKit, virtual_meter
from motorfit.simulation.plan import BenchPlan, Conditions
from motorfit.studies.bound import minimum_variance, reference_of
from motorfit.studies.scenarios import Scenario

SIGMA = 0.05  # of a voltage reading, with nothing else uncertain [V]
SPEEDS = np.array([60.0, 110.0, 160.0, 210.0, 320.0])  # [rad/s]
MACHINE = BrushedMachine(emf_constant=0.08, armature_resistance=0.8, brush_drop=0.8)
LOAD = 4.7  # [ohm]
FINE = 1e-9  # step of displays that hide nothing, in SI


def straight_line(x: np.ndarray) -> np.ndarray:
    """Covariance of intercept and slope, closed form."""
    spread = np.sum((x - x.mean()) ** 2)
    between = -x.mean() / spread
    return SIGMA**2 * np.array(
        [[1 / len(x) + x.mean() ** 2 / spread, between], [between, 1 / spread]]
    )


def test_straight_line():
    """Exact but for the rounding of an inverse of condition 1e5."""
    design = np.stack([np.ones_like(SPEEDS), SPEEDS], axis=-1)

    found = minimum_variance(design, SIGMA**2 * np.eye(len(SPEEDS))).covariance

    assert found == pytest.approx(straight_line(SPEEDS), rel=1e-9)


def test_straight_line_with_an_offset_that_is_known_to_so_much():
    """An offset in common adds its variance to the intercept's, and nothing to the slope's."""
    design = np.stack([np.ones_like(SPEEDS), SPEEDS], axis=-1)
    offset = 0.02
    covariance = SIGMA**2 * np.eye(len(SPEEDS)) + offset**2

    found = minimum_variance(design, covariance).covariance

    expected = straight_line(SPEEDS) + np.diag([offset**2, 0.0])
    assert found == pytest.approx(expected, rel=1e-9)


def scenario(percent: float) -> Scenario:
    """Open circuit and one resistor; only voltages scatter, and the voltmeter has a gain."""
    meters = {
        "voltage": virtual_meter(
            "voltage", "meter A", percent=percent, resolution=FINE, noise=SIGMA
        ),
        "current": virtual_meter("current", "meter B", resolution=FINE),
        "speed": virtual_meter("speed", "tachometer", resolution=FINE),
        "load": virtual_meter("load", "resistors"),
    }
    return Scenario(
        plan=BenchPlan(
            open_circuit_speeds=tuple(SPEEDS),
            load_speeds=tuple(SPEEDS),
            load_resistors=(LOAD,),
            load_columns="current",
        ),
        machine=MACHINE,
        kit=VirtualKit(meters=meters),
        conditions=Conditions(
            winding=Stated(25.0), drive_scatter=0.0, friction_row=0.0, friction_run=0.0
        ),
    )


@pytest.mark.parametrize("percent", [0.0, 0.5])
def test_bound_of_a_whole_bench(percent):
    """v = k w + R i - Vb s(i) by normal equations from the circuit's closed form.

    A gain error in common of all voltages scales k, R and Vb alike, so it adds
    (gain x value)^2 to each variance and ties them together.
    """
    current = -(MACHINE.emf_constant * SPEEDS - MACHINE.brush_drop) / (
        MACHINE.armature_resistance + LOAD
    )
    nothing = np.zeros_like(SPEEDS)
    design = np.concatenate(
        [
            np.stack([SPEEDS, nothing, nothing], axis=-1),
            np.stack([SPEEDS, current, nothing - 1.0], axis=-1),
        ]
    )
    truth = np.array([MACHINE.emf_constant, MACHINE.armature_resistance, MACHINE.brush_drop])
    covariance = SIGMA**2 * np.linalg.inv(design.T @ design)
    covariance += (percent / 100 / 3**0.5) ** 2 * np.outer(truth, truth)

    limits = reference_of(scenario(percent), level=0.95).limits

    found = [limits[name].deviation for name in ("k", "R", "Vb")]
    # found 3e-7: tanh(i/i0) is not quite one at the smallest current
    assert found == pytest.approx(np.sqrt(np.diag(covariance)), rel=1e-6)
    full = np.array([SPEEDS.max(), current.min(), -1.0])
    assert limits["V full"].deviation == pytest.approx((full @ covariance @ full) ** 0.5, rel=1e-6)
