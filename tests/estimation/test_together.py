"""Variations of a bench solved together, against each of them solved by itself with lmfit.

A single fit is `solve` on the bench with the same readings, priors and weights: other
code from the slope of the sum of squares on. Six digits of each machine parameter are asked
for, and of each instrument's error, which may be anything about zero, six of its scatter;
besides these what the single fit may be off itself.
"""

import tracemalloc
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_conditions import everything
from virtual_benches import PLANS, TRUE, virtual

from motorfit.estimation import together
from motorfit.estimation.joint import Joint, fit_jointly, open_soft
from motorfit.estimation.problem import pose
from motorfit.estimation.solver import solve, whiten
from motorfit.estimation.squares import SquaresSlope
from motorfit.estimation.together import Resamples, solve_together
from motorfit.simulation.bench import simulate

DIGITS = 1e-6

#: Where a single fit stops, in standard deviations: its sum of squares, some tens, no longer
#: changes by 1e-13 of itself, so that it may be the root of some 1e-12 off.
SINGLE = 3e-6


def joint_of(plan: str, seed: int = 3, **changes: object) -> Joint:
    bench = simulate(replace(TRUE, **changes), plan=PLANS[plan], seed=seed)
    return fit_jointly(pose(bench))


def varied(joint: Joint, count: int, seed: int = 0, *, weights: bool = False) -> Resamples:
    """Readings and priors moved at random by what they scatter."""
    rng, conditions = np.random.default_rng(seed), joint.problem.conditions
    variance = conditions.reading_variance(np.exp(joint.scales.log_variance))
    priors, machine = joint.problem.priors(joint.scales.log_variance), len(joint.problem.free)
    mean, deviation = priors.mean[machine:], priors.deviation[machine:]
    return Resamples(
        shift=rng.normal(size=(count, *variance.shape)) * variance**0.5,
        mean=mean + rng.normal(size=(count, len(mean))) * deviation,
        weight=rng.gamma(2.0, 0.5, (count, len(variance))) if weights else None,
    )


def soft_of(joint: Joint):
    return open_soft(joint.problem, joint.standing.open)


def together_of(joint: Joint, resamples: Resamples, **options: object) -> together.Solved:
    found = solve_together(
        joint.problem,
        joint.solution,
        joint.scales.log_variance,
        resamples,
        soft=soft_of(joint),
        **options,
    )
    assert found.settled.all()
    return found


def singly(joint: Joint, resamples: Resamples, index: int, *, bounded: bool = True):
    """One of them, by the solver of a bench."""
    problem, log_variance = joint.problem, joint.scales.log_variance
    priors = problem.priors(log_variance)
    mean = np.concatenate([np.zeros(len(problem.free)), resamples.mean[index]])
    shift = np.broadcast_to(resamples.shift, (len(resamples), *resamples.shift.shape[1:]))
    conditions = problem.conditions.shifted(shift[index])
    if resamples.weight is not None:
        conditions = conditions.weighted(conditions.weight * resamples.weight[index])
    lower = priors.lower if bounded else np.full_like(priors.lower, -np.inf)
    return solve(
        conditions,
        replace(priors, mean=mean, lower=lower),
        joint.solution.theta,
        np.exp(log_variance),
        soft=soft_of(joint),
    ).theta


def assert_agree(joint: Joint, resamples: Resamples, *, bounded: bool = True) -> np.ndarray:
    """All of them against single fits; returns the machine parameters, (B, p)."""
    found = together_of(joint, resamples, bounded=bounded).theta
    alone = [singly(joint, resamples, index, bounded=bounded) for index in range(len(resamples))]
    machine, scatter = len(joint.problem.free), np.std(found, axis=0)
    allowed = DIGITS * np.abs(found) + SINGLE * scatter
    allowed[:, machine:] += DIGITS * scatter[machine:]
    worst = np.max(np.abs(found - np.array(alone)) - allowed)
    assert worst <= 0.0, f"{worst} more than allowed"
    return found[:, :machine]


@pytest.mark.parametrize(
    "plan",
    ["whole", "both directions", "brake", "load by value", "settings", "no-load only", "lathe"],
)
def test_each_is_what_a_single_fit_finds(plan):
    """Friction, resistors in place of an ammeter, a held rotor, two directions, groups."""
    joint = joint_of(plan)

    assert_agree(joint, varied(joint, 6))


def test_a_direction_that_the_readings_leave_open():
    """Held by a plausible size only, so that every step is far from straight."""
    joint = joint_of("one resistor, no open circuit")
    assert len(joint.standing.open)

    assert_agree(joint, varied(joint, 8))
    assert_agree(joint, varied(joint, 8, seed=1), bounded=False)


def test_rows_that_count_more_or_less_than_once():
    joint = joint_of("both directions")

    assert_agree(joint, varied(joint, 6, weights=True))


def test_a_row_that_does_not_count_might_as_well_be_elsewhere():
    """Rows drawn with replacement: some not at all; there the reading may be anything."""
    joint = joint_of("whole")
    resamples = varied(joint, 8)
    counts = np.random.default_rng(2).integers(0, 3, resamples.shift.shape[:2]).astype(float)
    counts[:, joint.problem.conditions.present[:, 1]] = 1.0  # three, and two to find from them
    far = resamples.shift + 5.0 * (counts == 0)[..., None]

    here = together_of(joint, replace(resamples, weight=counts)).theta
    there = together_of(joint, replace(resamples, weight=counts, shift=far)).theta

    np.testing.assert_allclose(there, here, rtol=1e-6, atol=1e-6 * np.max(np.std(here, axis=0)))


def test_weights_of_the_bench_itself_count_too():
    """As a robust fit leaves them."""
    joint = joint_of("whole")
    weight = np.random.default_rng(5).uniform(0.3, 1.0, len(joint.problem.assembled.rows))
    conditions = joint.problem.conditions.weighted(weight)
    held = replace(joint, problem=replace(joint.problem, conditions=conditions))

    assert_agree(held, varied(held, 4))
    assert_agree(held, varied(held, 4, weights=True))


@pytest.mark.parametrize(
    ("plan", "machine"),
    [
        ("whole", {"brush_drop": 0.0}),
        ("lathe", {"brush_drop": 0.0}),
        (
            "both directions",
            {"brush_drop": 0.0, "coulomb_torque": 1e-5, "viscous_coefficient": 0.0},
        ),
    ],
    ids=["brush drop", "a lathe's brush drop", "brush drop and loss"],
)
def test_at_a_bound(plan, machine):
    """No brush drop, no loss: what wants to be negative ends on the bound exactly."""
    joint = joint_of(plan, **machine)

    found = assert_agree(joint, varied(joint, 12))

    on_bound = found == 0.0
    assert on_bound.any()
    assert not on_bound.all(axis=1).any()
    assert (found >= -0.9).all()


def test_beyond_the_bounds_where_asked():
    joint = joint_of("whole", brush_drop=0.0)

    found = assert_agree(joint, varied(joint, 12), bounded=False)

    assert (found < 0.0).any()


def test_only_what_is_known_of_the_instruments_changes():
    """The readings stay: one set of them for all."""
    joint = joint_of("whole")
    resamples = varied(joint, 5)
    still = Resamples(shift=np.zeros((1, *resamples.shift.shape[1:])), mean=resamples.mean)

    assert_agree(joint, still)


def test_the_bench_as_it_is_stays_where_it_is():
    joint = joint_of("whole")
    machine, log_variance = len(joint.problem.free), joint.scales.log_variance
    mean = joint.problem.priors(log_variance).mean[None, machine:]
    shift = np.zeros((1, len(joint.problem.assembled.rows), 4))
    solution = solve(
        joint.problem.conditions,
        joint.problem.priors(log_variance),
        joint.solution.theta,
        np.exp(log_variance),
    )

    found = solve_together(
        joint.problem, solution, log_variance, Resamples(shift=shift, mean=mean)
    ).theta[0]

    deviation = joint.problem.priors(log_variance).deviation[machine:]
    np.testing.assert_allclose(found[:machine], solution.theta[:machine], rtol=DIGITS)
    assert np.max(np.abs(found - solution.theta)[machine:] / deviation) < DIGITS


def test_optional_terms_and_warm_magnets():
    bench = virtual("whole")
    settings = bench.settings
    warm = replace(bench, settings=_with_magnets(settings))
    problem = pose(warm, terms=("armature-reaction", "windage", "magnet-temperature"))
    joint = fit_jointly(problem)
    assert len(problem.free) >= 8

    assert_agree(joint, varied(joint, 4))


def _with_magnets(settings):
    return settings.model_copy(
        update={"machine": settings.machine.model_copy(update={"magnet": "ferrite"})}
    )


@pytest.mark.parametrize("rounds", ["_SECANT_ROUNDS", "both"])
def test_what_does_not_settle_at_once_is_solved_in_other_ways(rounds, monkeypatch):
    """Without the first way the second is taken, without both the bench's own solver."""
    joint = joint_of("whole")
    resamples = varied(joint, 5)
    usual = together_of(joint, resamples).theta
    monkeypatch.setattr(together, "_SECANT_ROUNDS", 0)
    if rounds == "both":
        monkeypatch.setattr(together, "_NEWTON_ROUNDS", 1)

    other = together_of(joint, resamples).theta

    assert not np.array_equal(usual, other)
    np.testing.assert_allclose(other, usual, rtol=DIGITS, atol=DIGITS * np.std(usual, axis=0).max())


def test_one_that_cannot_be_solved_is_told_and_leaves_the_others_alone():
    joint = joint_of("whole")
    resamples = varied(joint, 6)
    broken = resamples.shift.copy()
    broken[2] = np.nan

    found = solve_together(
        joint.problem,
        joint.solution,
        joint.scales.log_variance,
        replace(resamples, shift=broken),
    )

    assert found.settled.tolist() == [True, True, False, True, True, True]
    assert np.isnan(found.theta[2]).all()
    others = np.arange(6) != 2
    usual = together_of(joint, resamples).theta[others]
    np.testing.assert_allclose(
        found.theta[others], usual, rtol=DIGITS, atol=DIGITS * np.std(usual, axis=0).max()
    )


def test_none_at_all():
    joint = joint_of("open circuit only")
    rows, nuisances = len(joint.problem.assembled.rows), len(joint.problem.assembled.nuisances)

    found = together_of(
        joint, Resamples(shift=np.zeros((1, rows, 4)), mean=np.zeros((0, nuisances)))
    )

    assert found.theta.shape == (0, len(joint.solution.theta))


def test_memory_and_threads_change_no_bit():
    joint = joint_of("both directions", brush_drop=0.0)
    resamples = varied(joint, 1500)

    usual = together_of(joint, resamples).theta

    for options in ({"memory": 1.0}, {"threads": 1}, {"threads": 3, "memory": 1e9}):
        assert together_of(joint, resamples, **options).theta.tobytes() == usual.tobytes()


@pytest.mark.parametrize(
    ("rounds", "readings", "count"),
    [(20, 8000, 400), (0, 2000, 60)],
    ids=["at once", "by Gauss-Newton"],
)
def test_memory_does_not_grow_with_their_number(rounds, readings, count, monkeypatch):
    """Blocks one after the other: what is traced grows by the results only."""
    joint = joint_of("whole")
    monkeypatch.setattr(together, "_SECANT_ROUNDS", rounds)
    monkeypatch.setattr(together, "_BLOCK_READINGS", readings)

    def peak(count: int) -> float:
        resamples = varied(joint, count)
        tracemalloc.start()
        found = together_of(joint, resamples, memory=1.0, threads=1)
        most = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return most - 4.0 * found.theta.nbytes

    few, many = peak(count), peak(4 * count)

    assert many < 1.3 * few  # chance in how much of a block is left over
    assert many < 100 * 8 * readings + 1e6  # a hundred arrays of a block, and what a bench takes


@given(seed=st.integers(0, 10_000))
@settings(max_examples=25)
def test_slope_of_the_sum_of_squares(seed):
    """Every kind of row, error and parameter: J'r of the whitened residuals, in doubles."""
    conditions, theta, scales = everything(seed)
    own = conditions.own_variance(theta, scales)
    residual, jacobian = whiten(conditions, theta, scales, own)
    expected = np.einsum("na,nap->p", residual, jacobian)

    found = SquaresSlope(conditions, theta, scales).at(theta)

    size = np.linalg.norm(jacobian, axis=(0, 1)) * np.linalg.norm(residual)
    np.testing.assert_allclose(found / size, expected / size, atol=1e-11)


def test_several_benches_at_once_are_each_as_alone():
    """Leading axes of readings and parameters, in the single fit's own equations."""
    conditions, theta, scales = everything(3)
    rng = np.random.default_rng(3)
    shift = rng.normal(size=(4, len(conditions.rows), 4)) * [0.05, 2.0, 0.005, 0.01]
    several = theta * rng.uniform(0.9, 1.1, (4, len(theta)))
    own = conditions.own_variance(theta, scales)

    residual, jacobian = whiten(conditions.shifted(shift), several, scales, own)

    for index in range(4):
        alone = whiten(conditions.shifted(shift[index]), several[index], scales, own)
        np.testing.assert_allclose(residual[index], alone[0], rtol=1e-12, atol=1e-12)
        np.testing.assert_allclose(
            jacobian[index], alone[1], rtol=1e-10, atol=1e-10 * np.abs(alone[1]).max()
        )
