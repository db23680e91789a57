"""How long 2,000 variations of a bench of 72 readings take together, and one by one.

python tests/benchmarks/resampling.py

One by one is `motorfit.estimation.solver.solve`, which is lmfit with exact derivatives,
started at the bench's own solution. A sample of the variations is refitted so, between the
runs of all together, and the time for all is reckoned from it. The best of several runs.
"""

import argparse
import os
import time
from dataclasses import replace

# the matrices of a single fit are small: with threads of their own it would be far slower
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.bench.records import Bench
from motorfit.estimation.joint import Joint, fit_jointly, open_soft
from motorfit.estimation.problem import pose
from motorfit.estimation.solver import solve
from motorfit.estimation.together import Resamples, solve_together
from motorfit.machine.brushed import BrushedMachine
from motorfit.simulation.bench import simulate
from motorfit.simulation.plan import usual_plan

MACHINE = BrushedMachine(
    emf_constant=0.08,
    armature_resistance=0.8,
    brush_drop=0.8,
    coulomb_torque=0.03,
    viscous_coefficient=5e-5,
)
RESAMPLES = 2000
ALLOWED, LEAST_RATIO = 1.0, 100.0  # [s], and how many times faster than one by one
DIGITS = 1e-6


def seventy_two_readings() -> Bench:
    plan = replace(usual_plan(MACHINE), repeats=2)
    speeds = plan.open_circuit_speeds
    more = replace(plan, open_circuit_speeds=(*speeds, 0.5 * (speeds[0] + speeds[1])))
    bench = simulate(MACHINE, plan=more, seed=72)
    assert sum(len(run) for run in bench.runs if run.kind != "zero") == 72
    return bench


def variations(joint: Joint, rng: np.random.Generator) -> Resamples:
    """Readings' errors at the fitted scales, instruments within what is known of them."""
    scales, problem = np.exp(joint.scales.log_variance), joint.problem
    variance = problem.conditions.reading_variance(scales)
    priors, machine = problem.priors(joint.scales.log_variance), len(problem.free)
    mean, deviation = priors.mean[machine:], priors.deviation[machine:]
    return Resamples(
        shift=rng.normal(size=(RESAMPLES, *variance.shape)) * variance**0.5,
        mean=mean + rng.normal(size=(RESAMPLES, len(mean))) * deviation,
    )


def refit(joint: Joint, resamples: Resamples, index: int) -> FloatArray:
    """One variation by itself."""
    priors = joint.problem.priors(joint.scales.log_variance)
    mean = np.concatenate([priors.mean[: len(joint.problem.free)], resamples.mean[index]])
    return solve(
        joint.problem.conditions.shifted(resamples.shift[index]),
        replace(priors, mean=mean),
        joint.solution.theta,
        np.exp(joint.scales.log_variance),
        soft=open_soft(joint.problem, joint.standing.open),
    ).theta


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=6)
    parser.add_argument("--sample", type=int, default=60, help="how many are refitted singly")
    options = parser.parse_args()
    joint = fit_jointly(pose(seventy_two_readings()))
    resamples = variations(joint, np.random.default_rng(2000))
    soft = open_soft(joint.problem, joint.standing.open)
    together, singly, found = [], [], []
    for part in np.array_split(np.arange(options.sample), options.runs):
        began = time.perf_counter()
        solved = solve_together(
            joint.problem, joint.solution, joint.scales.log_variance, resamples, soft=soft
        )
        between = time.perf_counter()
        found += [refit(joint, resamples, index) for index in part]
        together.append(between - began)
        singly.append((time.perf_counter() - between) / len(part))
    fast, slow = min(together), RESAMPLES * min(singly)
    machine, nuisances = len(joint.problem.free), len(joint.problem.assembled.nuisances)
    # lmfit stops 1e-7 to 1e-6 of a standard deviation from the minimum
    ratio = solved.theta[: options.sample, :machine] / np.array(found)[:, :machine]
    off = np.max(np.abs(ratio - 1.0))
    print(
        f"{len(joint.problem.assembled.rows)} readings, {machine} parameters of the machine, "
        f"{nuisances} errors that instruments or groups of readings may have"
    )
    print(f"{RESAMPLES} variations together: {fast:.3f} s, all settled: {solved.settled.all()}")
    print(f"one by one with lmfit: {slow:.1f} s, reckoned from {options.sample} of them")
    print(f"ratio: {slow / fast:.0f}")
    print(f"largest relative difference of a parameter of the machine: {off:.1e}")
    print(f"allowed: {ALLOWED:.0f} s, ratio {LEAST_RATIO:.0f}, difference {DIGITS:.0e}")
    good = solved.settled.all() and off <= DIGITS
    return 0 if good and fast <= ALLOWED and slow >= LEAST_RATIO * fast else 1


if __name__ == "__main__":
    raise SystemExit(main())
