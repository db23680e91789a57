"""One open coast-down and nothing that tells a torque: loss over inertia, both terms."""

from dataclasses import replace

import numpy as np
import pytest
from virtual_benches import SPEEDS, TRUE

import motorfit as mf
from motorfit.bench.records import Bench
from motorfit.estimation.coast_logs import reduce_logs
from motorfit.estimation.joint import fit_jointly
from motorfit.estimation.physics import J
from motorfit.estimation.problem import pose
from motorfit.estimation.term_evidence import loss_bends
from motorfit.simulation.bench import simulate
from motorfit.simulation.log_plans import CoastDownPlan, LogNoise
from motorfit.simulation.plan import BenchPlan, Conditions

INERTIA = 2e-3
OPEN_CIRCUIT = BenchPlan(open_circuit_speeds=SPEEDS)
AND_LOAD = replace(OPEN_CIRCUIT, load_speeds=SPEEDS, load_resistors=(2.2, 10.0))
#: At the top an eighth of the other loss, and more than all of it.
WINDAGES = [1e-7, 1e-6]
LOG = CoastDownPlan(start_speed=240.0, step=0.1, engaged=0.5, noise=LogNoise(correlation=0.5))

#: Only the ratios are known; any inertia fits as well as another.
BENCHES = [(plan, seed) for plan in (OPEN_CIRCUIT, AND_LOAD) for seed in range(4)]


def coasted(plan: BenchPlan, seed: int, *logs: CoastDownPlan, windage: float = 0.0) -> Bench:
    return simulate(
        replace(TRUE, windage_coefficient=windage),
        plan=replace(plan, coast_downs=logs or (LOG,)),
        moment_of_inertia=INERTIA,
        conditions=Conditions(friction_run=0.0, friction_row=0.0),
        seed=seed,
    )


@pytest.mark.parametrize(("plan", "seed"), BENCHES)
def test_both_terms_of_the_loss_are_told_over_the_inertia(plan, seed):
    """Intervals at 99.9 % hold the truth: one bench in some hundreds would not."""
    found = mf.fit(coasted(plan, seed), level=0.999)

    known = {each.of: each for each in found.profile.combinations}
    for name, unit in (("coulomb_torque", "rad/s2"), ("viscous_coefficient", "1/s")):
        combination = known[f"{name}/moment_of_inertia"]
        low, high = combination.interval
        assert low <= getattr(TRUE, name) / INERTIA <= high
        assert combination.unit == unit


@pytest.mark.parametrize("windage", WINDAGES)
@pytest.mark.parametrize(("plan", "seed"), BENCHES[::2])
def test_windage_is_told_over_the_inertia_where_the_log_bends_by_it(plan, seed, windage):
    """Intervals at 99.9 %: twelve of them, one bench in a hundred would miss."""
    found = mf.fit(coasted(plan, seed, windage=windage), level=0.999)

    known = {each.of: each for each in found.profile.combinations}
    for name in ("coulomb_torque", "viscous_coefficient", "windage_coefficient"):
        low, high = known[f"{name}/moment_of_inertia"].interval
        true = windage if name == "windage_coefficient" else getattr(TRUE, name)
        assert low <= true / INERTIA <= high
        assert found.parameters[name].standing == "combined"
    assert [each for each in found.findings if each.grave] == []


@pytest.mark.parametrize("windage", WINDAGES)
@pytest.mark.parametrize("seed", range(3))
def test_a_pair_of_logs_tells_windage_and_inertia(seed, windage):
    """Without windage the fit of such a pair ends far off, where it cannot be asked for."""
    braked = replace(LOG, step=0.02, load=4.7, load_columns="current")

    found = mf.fit(coasted(AND_LOAD, seed, LOG, braked, windage=windage), level=0.999)

    for name, true in (("windage_coefficient", windage), ("moment_of_inertia", INERTIA)):
        low, high = found.parameters[name].interval
        assert low <= true <= high
    assert [each for each in found.findings if each.grave] == []


def test_a_log_without_windage_does_not_bend():
    """Of forty independent logs none is beyond four standard deviations of chance."""
    runs = [
        run
        for seed in range(10)
        for run in reduce_logs(coasted(OPEN_CIRCUIT, seed, LOG, LOG, LOG, LOG)).bench.runs
        if run.rates is not None
    ]
    scores = [loss_bends(run) for run in runs]
    assert max(scores) < 4.0
    # their noise is known from few independent readings, and widened for it: not above one
    assert 0.3 < np.std(scores) < 1.3


def test_a_braked_log_is_not_asked_whether_it_bends():
    braked = replace(LOG, step=0.02, load=4.7, load_columns="current")
    runs = reduce_logs(coasted(OPEN_CIRCUIT, 0, braked, windage=1e-6)).bench.runs
    assert [loss_bends(run) for run in runs if run.rates is not None] == [0.0]


@pytest.mark.parametrize(("plan", "seed"), BENCHES)
def test_an_inertia_that_nothing_tells_stays_where_the_fit_began(plan, seed):
    """No torque at all would leave nothing to be wrong about, and a fit of no inertia."""
    problem = pose(reduce_logs(coasted(plan, seed)).bench)
    place = problem.free.index(J)

    assert fit_jointly(problem).machine[place] == pytest.approx(problem.start[place], rel=0.5)
