"""The joint fit: solver, variance components and standing, in turn until they settle."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace

import numpy as np

from motorfit.arrays import BoolArray, FloatArray
from motorfit.errors import FitError
from motorfit.estimation.physics import T0, B, J, K, R
from motorfit.estimation.problem import Problem
from motorfit.estimation.scatter import (
    Projected,
    Scales,
    Stacked,
    estimate_scales,
    project,
)
from motorfit.estimation.solver import Soft, Solution, solve
from motorfit.estimation.standing import CLEAR_OF_ZERO, LEANING, Determined, determined

#: Rounds of solving and re-weighing. Two or three settle it; a scatter that keeps moving
#: after that moves the parameters by far less than their uncertainty.
_ROUNDS = 6
_SETTLED = 0.02  # of a log variance: 1 % of a standard deviation

#: How firmly parameters are held in the first solving, and what scales inertia and loss in all,
#: by one over the plausible sizes.
_HOLD, _FIRM = 1.0 / 30.0, 100.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Joint:
    """A solved bench: p machine parameters, r nuisances, c variance components."""

    problem: Problem
    solution: Solution
    scales: Scales
    standing: Determined
    stack: Stacked
    projected: Projected
    hinted: FloatArray | None = None  # (h, p) how far terms left out may move the parameters

    @property
    def machine(self) -> FloatArray:
        """The free machine parameters, (p,)."""
        return self.solution.theta[: len(self.problem.free)]

    @property
    def covariance(self) -> FloatArray:
        """Total covariance of the machine parameters, (p, p)."""
        return self.projected.covariance

    @property
    def sensitivity(self) -> FloatArray:
        """Change of each machine parameter with each nuisance's true value, (p, r)."""
        return np.asarray(self.projected.gain @ nuisance_design(self.problem, self.solution))

    @property
    def unbounded(self) -> FloatArray:
        """Where the machine parameters would go without bounds, to first order, (p,)."""
        return np.asarray(self.machine - self.projected.gain @ self.stack.residual)


def nuisance_design(problem: Problem, solution: Solution) -> FloatArray:
    """Columns of the nuisances for the present equations, (N, r)."""
    design = solution.linearised.design[problem.conditions.present]
    return np.asarray(design[:, len(problem.free) :])


def stack(problem: Problem, solution: Solution, soft: Soft | None) -> Stacked:
    """The present equations in one column, linear about ``solution``."""
    conditions, nuisances = problem.conditions, problem.assembled.nuisances
    present, machine = conditions.present, len(problem.free)
    at, theta = solution.linearised, solution.theta
    influence = nuisance_design(problem, solution)
    mean = np.array([nuisance.mean for nuisance in nuisances])
    deviation = np.array([nuisance.deviation for nuisance in nuisances])
    component = np.array(
        [-1 if nuisance.component is None else nuisance.component for nuisance in nuisances],
        dtype=int,
    )
    known = influence[:, component < 0] * deviation[component < 0]
    rounding, *scattering = row_covariances(problem, solution)
    fixed = _block_diagonal(rounding, present) + known @ known.T
    patterns = np.empty((len(scattering), *fixed.shape))
    for index, blocks in enumerate(scattering):
        shared = influence[:, component == index] * deviation[component == index]
        patterns[index] = _block_diagonal(blocks, present) + shared @ shared.T
    ridge = np.zeros((machine, machine))
    if soft is not None:
        directions = soft.directions[:, :machine]
        ridge = directions.T @ directions
    return Stacked(
        residual=at.residual[present] - influence @ (theta[machine:] - mean),
        design=at.design[present][:, :machine],
        fixed=fixed,
        patterns=patterns,
        ridge=ridge,
        prior=problem.assembled.scale_prior,
    )


def row_covariances(problem: Problem, solution: Solution) -> list[FloatArray]:
    """Covariance of each row's equations: what is known, then each component at its usual size.

    What rows share is not in it.

    Parameters
    ----------
    problem : Problem
        Of n rows, m equations each, and c variance components.
    solution : Solution
        What the equations are linear about.

    Returns
    -------
    list of ndarray, each of shape (n, m, m)
        1 + c of them; absent equations are in it.
    """
    conditions, theta = problem.conditions, solution.theta
    sensitivity = solution.linearised.sensitivity
    count = len(problem.assembled.components)

    def carried(covariance: FloatArray) -> FloatArray:
        return np.asarray(sensitivity @ covariance @ sensitivity.swapaxes(-1, -2))

    own = conditions.own_variance(theta, np.zeros(count))
    blocks = [carried(conditions.known) + own]
    for index, alone in enumerate(np.eye(count)):
        friction = conditions.own_variance(theta, alone) - own
        blocks.append(carried(conditions.patterned(index)) + friction)
    return blocks


def _block_diagonal(blocks: FloatArray, present: BoolArray) -> FloatArray:
    rows, equations = present.shape
    whole = np.zeros((rows, equations, rows, equations))
    index = np.arange(rows)
    whole[index, :, index, :] = blocks
    size = rows * equations
    kept = present.ravel()
    return np.asarray(whole.reshape(size, size)[np.ix_(kept, kept)])


def row_blocks(whole: FloatArray, present: BoolArray) -> FloatArray:
    """What each row's own equations have of a matrix of all, the identity for absent ones.

    Parameters
    ----------
    whole : ndarray, shape (N, N)
        Of the present equations.
    present : ndarray of bool, shape (n, m)
        Which they are.

    Returns
    -------
    ndarray, shape (n, m, m)
    """
    rows, equations = present.shape
    kept = present.ravel()
    every = np.eye(rows * equations)
    every[np.ix_(kept, kept)] = whole
    index = np.arange(rows)
    return np.asarray(every.reshape(rows, equations, rows, equations)[index, :, index, :])


def open_soft(problem: Problem, directions: FloatArray) -> Soft | None:
    """Hold open directions at the start, within the parameters' plausible sizes.

    Parameters
    ----------
    problem : Problem
        A bench with p machine parameters.
    directions : ndarray, shape (d, p)
        Orthonormal in units of the plausible sizes.

    Returns
    -------
    Soft or None
        Where only ratios of the loss to the inertia are told, any inertia fits as well as
        another and none at all fits best, for it leaves no torque to be wrong about. That
        direction is held firmly.
    """
    if not len(directions):
        return None
    scale = _scale_of_the_loss(problem, directions)
    if scale is not None:
        directions = np.vstack([directions, (_FIRM**2 - 1.0) ** 0.5 * scale])
    return _held(problem, directions)


def _held(problem: Problem, directions: FloatArray) -> Soft:
    machine = len(problem.free)
    rows = np.zeros((len(directions), len(problem.start)))
    rows[:, :machine] = directions / problem.size
    return Soft(directions=rows, centre=problem.start)


def _scale_of_the_loss(problem: Problem, directions: FloatArray) -> FloatArray | None:
    """The open direction in which inertia and loss grow together, (p,); None where none is."""
    share = np.sum(directions**2, axis=0)
    tangled = {problem.free[place] for place in np.flatnonzero(share > LEANING**2)}
    if J not in tangled or not tangled & {T0, B}:
        return None
    along = directions.T @ directions[:, problem.free.index(J)]
    return np.asarray(along / np.linalg.norm(along))


def fit_jointly(problem: Problem) -> Joint:
    """Solve a bench: parameters, scales of the scatter and standing together.

    Parameters
    ----------
    problem : Problem
        From `motorfit.estimation.problem.pose`.

    Returns
    -------
    Joint

    Raises
    ------
    FitError
        If there is nothing to fit, or it does not settle.
    """
    if not problem.free:
        raise FitError("no reading that the fit can use")
    with settled_or_told():
        joint = _fit_jointly(problem)
    if not (np.all(np.isfinite(joint.covariance)) and np.all(np.isfinite(joint.machine))):
        raise FitError(_WILD)
    return joint


@contextmanager
def settled_or_told() -> Iterator[None]:
    """Turn numbers that ran away into one message, instead of a warning a row."""
    try:
        with np.errstate(all="ignore"):
            yield
    except (np.linalg.LinAlgError, ValueError, ZeroDivisionError) as error:
        raise FitError(_WILD) from error


_WILD = (
    "the readings contradict each other so wildly that no machine fits them: look for columns "
    "exchanged, a wrong unit in a header, or readings of two machines in one folder"
)


def _fit_jointly(problem: Problem) -> Joint:
    log_variance = np.zeros(len(problem.assembled.components))
    solution = solve_problem(problem, problem.start, log_variance, _loosely(problem))
    standing = determined(problem.conditions, solution, np.exp(log_variance), problem.size)
    soft = open_soft(problem, standing.open)
    scales = estimate_scales(stack(problem, solution, soft))
    for _ in range(_ROUNDS):
        before = scales.log_variance
        solution = solve_problem(problem, solution.theta, before, soft)
        standing = determined(problem.conditions, solution, np.exp(before), problem.size)
        soft = open_soft(problem, standing.open)
        stacked = stack(problem, solution, soft)
        scales = estimate_scales(stacked, before)
        if np.max(np.abs(scales.log_variance - before), initial=0.0) < _SETTLED:
            break
    return joint_of(problem, solution, scales, standing, stacked)


def _loosely(problem: Problem) -> Soft:
    """What holds every direction before anything is known, far more weakly than readings do.

    The inertia stays where it begins, see `open_soft`.
    """
    return _held(problem, np.diag([_FIRM if index == J else _HOLD for index in problem.free]))


def joint_of(
    problem: Problem,
    solution: Solution,
    scales: Scales,
    standing: Determined,
    stacked: Stacked,
) -> Joint:
    """A joint fit of its parts: the covariance, and what of it is worth telling."""
    projected = project(stacked, scales.log_variance)
    return Joint(
        problem=problem,
        solution=solution,
        scales=scales,
        standing=_worth_telling(problem, solution, standing, projected.covariance),
        stack=stacked,
        projected=projected,
    )


def _worth_telling(
    problem: Problem, solution: Solution, standing: Determined, covariance: FloatArray
) -> Determined:
    """EMF constant and resistance are above zero: with too much doubt for that they are open."""
    share, measured = standing.share.copy(), list(standing.measured)
    for place, index in enumerate(problem.free):
        doubt = covariance[place, place] ** 0.5
        if (
            index in (K, R)
            and doubt > CLEAR_OF_ZERO * solution.theta[place]
            and standing.known[place]
        ):
            share[place], measured[place] = 1.0, False
    return replace(standing, share=share, measured=tuple(measured))


def solve_problem(
    problem: Problem, start: FloatArray, log_variance: FloatArray, soft: Soft | None
) -> Solution:
    """The solution at these scales."""
    return solve(
        problem.conditions,
        problem.priors(log_variance),
        start,
        np.exp(log_variance),
        soft=soft,
    )
