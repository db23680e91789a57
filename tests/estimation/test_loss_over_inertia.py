"""One open coast-down and nothing that tells a torque: loss over inertia, both terms."""

from dataclasses import replace

import pytest
from virtual_benches import SPEEDS, TRUE

import motorfit as mf
from motorfit.bench.records import Bench
from motorfit.estimation.coast_logs import reduce_logs
from motorfit.estimation.joint import fit_jointly
from motorfit.estimation.physics import J
from motorfit.estimation.problem import pose
from motorfit.simulation.bench import simulate
from motorfit.simulation.log_plans import CoastDownPlan, LogNoise
from motorfit.simulation.plan import BenchPlan, Conditions

INERTIA = 2e-3
OPEN_CIRCUIT = BenchPlan(open_circuit_speeds=SPEEDS)
AND_LOAD = replace(OPEN_CIRCUIT, load_speeds=SPEEDS, load_resistors=(2.2, 10.0))
LOG = CoastDownPlan(start_speed=240.0, step=0.1, engaged=0.5, noise=LogNoise(correlation=0.5))

#: Only the ratios are known; any inertia fits as well as another.
BENCHES = [(plan, seed) for plan in (OPEN_CIRCUIT, AND_LOAD) for seed in range(4)]


def coasted(plan: BenchPlan, seed: int) -> Bench:
    return simulate(
        TRUE,
        plan=replace(plan, coast_downs=(LOG,)),
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


@pytest.mark.parametrize(("plan", "seed"), BENCHES)
def test_an_inertia_that_nothing_tells_stays_where_the_fit_began(plan, seed):
    """No torque at all would leave nothing to be wrong about, and a fit of no inertia."""
    problem = pose(reduce_logs(coasted(plan, seed)).bench)
    place = problem.free.index(J)

    assert fit_jointly(problem).machine[place] == pytest.approx(problem.start[place], rel=0.5)
