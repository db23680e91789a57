"""What a fit tells of each coast-down: the loss at its rates, and how logs are counted."""

from dataclasses import replace

import numpy as np
import pytest
from virtual_benches import PLANS, TRUE

import motorfit as mf
from motorfit.machine.brushed import loss_torque
from motorfit.simulation.instruments import VirtualKit, virtual_meter
from motorfit.simulation.log_plans import CoastDownPlan, LogNoise

INERTIA = 6e-4
QUIET = LogNoise(scatter=2e-4)


@pytest.fixture(scope="module")
def fit():
    """An open run, and one on a resistor that is 4 % off its label, logged without noise."""
    kit = VirtualKit()
    meters = dict(kit.meters) | {"load": virtual_meter("load", "resistors", percent=5.0)}
    plan = replace(
        PLANS["whole"],
        coast_downs=(
            CoastDownPlan(name="open", start_speed=200.0, step=0.05, noise=QUIET),
            CoastDownPlan(name="loaded", start_speed=200.0, load=10.0, step=0.02, noise=QUIET),
        ),
    )
    bench = mf.simulate(
        TRUE, plan=plan, kit=replace(kit, meters=meters), moment_of_inertia=INERTIA, seed=12
    )
    return mf.fit(bench)


def test_loss_at_the_rates_is_that_of_the_machine(fit):
    """Each within 10 %: three times the friction that differs by 3 % from run to run."""
    for one in fit.coast_downs:
        assert one.loss == pytest.approx(loss_torque(TRUE, one.speed), rel=0.1)


def test_runs_scatter_about_the_fitted_loss(fit):
    """The resistor's error is taken off, else the loaded points would lie some 10 % away.

    The torque that the current brakes with is twice the loss, and the resistor is known to
    5 %. What is left is the friction that differs from run to run, and 1 % of the rates.
    """
    for one in fit.coast_downs:
        fitted = (1.0 + one.friction) * fit.profile.loss(speed=one.speed).value
        assert one.loss == pytest.approx(fitted, rel=0.03)


def test_speeds_of_a_log_of_voltages_lie_where_it_coasted(fit):
    for one in fit.coast_downs:
        assert np.all(np.diff(one.speed) < 0)
        assert 0 < one.speed.min() < one.speed.max() < 1.02 * 200.0


def test_logs_do_not_count_as_readings(fit):
    """The readings are counted off the bench itself, and there are two logs."""
    readings = sum(len(run) for run in fit.bench.runs if run.kind != "coast-down")
    good = [one.says for one in fit.findings if one.kind == "nothing-odd"]

    assert good == [f"Nothing odd in {readings} readings and 2 logs."]


def test_without_inertia_there_is_no_torque():
    plan = replace(
        PLANS["open circuit only"],
        coast_downs=(CoastDownPlan(name="open", start_speed=200.0, step=0.05),),
    )
    found = mf.fit(mf.simulate(TRUE, plan=plan, moment_of_inertia=INERTIA, seed=2))

    assert [one.loss for one in found.coast_downs] == [None]
    (turn,) = [one for one in found.answers if one.question == "how hard to turn"]
    assert turn.why == "how quickly it slows, not its torque"
