"""Weights that move with the parameters must not pull them along.

Every meter here is perfect, so that an estimate can only be off by the scatter of the
readings. What was wrong once: the scatter of a reading counts less when the machine's
constant is larger, and a gain of the meter that nobody knows can take the difference. The
reward grows with the number of readings, the price does not.
"""

from dataclasses import replace

import numpy as np
import pytest

from motorfit.estimation.fit import fit
from motorfit.estimation.joint import fit_jointly
from motorfit.estimation.problem import pose
from motorfit.machine.brushed import BrushedMachine, loss_torque
from motorfit.simulation.bench import simulate
from motorfit.simulation.instruments import RPM, VirtualKit, handheld_meters, virtual_meter
from motorfit.simulation.plan import BenchPlan, Conditions

MACHINE = BrushedMachine(
    emf_constant=0.08,
    armature_resistance=0.8,
    brush_drop=0.8,
    coulomb_torque=0.03,
    viscous_coefficient=5e-5,
)

#: Two per cent is what the fit is told; it is right to the last digit.
TACHOMETER = virtual_meter(
    "speed",
    "tachometer",
    percent=2.0,
    digits=1,
    resolution=0.1 * RPM,
    display_factor=RPM,
    repeatability=0.004,
)


def perfect(*changed):
    meters = handheld_meters() | {each.stated.quantity: each for each in changed}
    return VirtualKit(meters={q: replace(m, gain=0.0, offset=0.0) for q, m in meters.items()})


def test_many_readings_do_not_push_an_unknown_gain():
    """160 readings of 0.4 % leave 0.03 % of k, plus 0.2 % for ranges; it was 1.6 % off."""
    plan = BenchPlan(
        open_circuit_speeds=tuple(np.linspace(60.0, 370.0, 80)),
        load_speeds=tuple(np.linspace(80.0, 370.0, 40)),
        load_resistors=(3.0, 9.0),
    )
    joint = fit_jointly(pose(simulate(MACHINE, plan=plan, kit=perfect(TACHOMETER), seed=1)))

    assert joint.machine[0] == pytest.approx(0.08, rel=0.003)
    gain = next(
        value / error.deviation
        for error, value in zip(
            joint.problem.assembled.nuisances,
            joint.solution.theta[len(joint.machine) :],
            strict=True,
        )
        if (error.quantity, error.error) == ("speed", "gain")
    )
    assert abs(gain) < 0.1  # nothing in the readings tells of it; it was 1.5


def test_many_no_load_readings_do_not_push_the_loss():
    """Four benches of 40 rows, 5 % from row to row: 0.4 % of the mean, four times that.

    It was 3 % too large: 40 rows times (3 %)^2, what the friction of a run may differ.
    """
    plan = BenchPlan(
        open_circuit_speeds=(120.0, 240.0, 360.0),
        load_speeds=(180.0, 340.0),
        load_resistors=(2.4, 9.6),
        supply_voltages=tuple(np.linspace(6.0, 28.0, 40)),
    )
    steady = Conditions(friction_row=0.05, friction_run=0.0)
    benches = [
        simulate(MACHINE, plan=plan, kit=perfect(), conditions=steady, seed=seed)
        for seed in range(4)
    ]
    points = [fit(bench).loss for bench in benches]

    ratios = [point.torque.value / loss_torque(MACHINE, point.speed) for point in points]
    assert np.mean(ratios) == pytest.approx(1.0, abs=0.016)
