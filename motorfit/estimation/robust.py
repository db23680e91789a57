r"""The robust fit: readings that stand out count less, by Huber's weights.

A row whose residual exceeds `CUTOFF` of its own standard deviations counts with

.. math:: w = \min(1,\; c / |t|), \qquad t = r / (\sigma \sqrt{1 - h})

h the leverage of the row, so that a reading which pulls the fit towards itself is seen
for what it is. The scales of scatter are estimated from the residuals as they count,
:math:`w\,r / \sqrt{\kappa}` with :math:`\kappa = E\,\psi^2` of the normal distribution:
Huber's second proposal for each variance component. Weights, parameters and scales take
turns until they stand still. What is known of the instruments stays as it is: only the
scatter of the rows is weighed.

References
----------
.. [1] P. J. Huber, Robust Statistics (1981), 6.7 (regression with a scale), 7.6
   (covariance and its small-sample factor).
.. [2] A. M. Richardson and A. H. Welsh, Biometrics 51 (1995) 1429: restricted likelihood
   with bounded residuals.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.special import exp1, ndtr

from motorfit.arrays import FloatArray, IntArray
from motorfit.estimation.joint import (
    Joint,
    fit_jointly,
    joint_of,
    open_soft,
    settled_or_told,
    solve_problem,
    stack,
)
from motorfit.estimation.problem import Problem
from motorfit.estimation.scatter import (
    PRIOR_READINGS,
    Scales,
    Stacked,
    estimate_scales,
    project,
)
from motorfit.estimation.solver import Soft, Solution, condition_covariance
from motorfit.estimation.standing import determined

#: From how many of its standard deviations on a reading counts less. Of clean readings
#: the fit loses 5 % of its efficiency to it [1].
CUTOFF = 1.345

#: A reading counts at least this much: the weight of a slip of a million deviations.
_LEAST = 1e-6

#: A row with a smaller share of its own left alone determines a parameter: it has no
#: residual to judge it by.
_ALONE = 1e-6

_ROUNDS = 8  # of solving with new weights
_TURNS = 60  # of weights and scales about one solution
_SETTLED = 1e-4  # of a weight and a log variance


def _tail(cutoff: float) -> float:
    """Chance that a standard normal residual is beyond the cutoff."""
    return 2.0 * float(ndtr(-cutoff))


def _density(cutoff: float) -> float:
    return float(np.exp(-0.5 * cutoff**2) / np.sqrt(2.0 * np.pi))


_TAIL = _tail(CUTOFF)
_KEPT = 1.0 - _TAIL  # E psi'
_SQUARE = _KEPT - 2.0 * CUTOFF * _density(CUTOFF)  # E t^2 within the cutoff
_KAPPA = _SQUARE + CUTOFF**2 * _TAIL  # E psi^2
_FOURTH = 3.0 * _SQUARE - 2.0 * CUTOFF**3 * _density(CUTOFF) + CUTOFF**4 * _TAIL  # E psi^4
_MEAN_WEIGHT = _KEPT + CUTOFF * float(exp1(0.5 * CUTOFF**2)) / np.sqrt(2.0 * np.pi)  # E w

#: Of a row with two equations the squared residual is chi-square with two degrees of
#: freedom: the same share of clean rows is beyond this cutoff ...
_CUTOFFS = np.array([CUTOFF, np.sqrt(-2.0 * np.log(_TAIL))])

#: ... and this is what the square of each residual comes to, as it counts.
_KAPPAS = np.array([_KAPPA, 1.0 - _TAIL])

#: Information about the logarithm of a scale, relative to that of unbounded residuals.
SCALE_EFFICIENCY = 2.0 * _SQUARE**2 / (_FOURTH - _KAPPA**2)


def fit_robustly(problem: Problem) -> Joint:
    r"""Solve a bench with readings that stand out held back.

    Parameters
    ----------
    problem : Problem
        From `motorfit.estimation.problem.pose`.

    Returns
    -------
    Joint
        Its problem has the weight of each row in ``held``, one where it counts fully.

    Raises
    ------
    FitError
        If there is nothing to fit, or it does not settle.

    Notes
    -----
    The covariance is Huber's,

    .. math::

        K^2\, \frac{E\,\psi^2}{(E\,\psi')^2}\, \bar w\,
        (X^\mathsf{T} W C^{-1} X)^{-1},
        \qquad K = 1 + \frac{p}{n} \frac{1 - E\,\psi'}{E\,\psi'}

    with the expectations of normal residuals, for the part that comes from the scatter.
    The factor is in the weights with which the rows enter everything downstream.
    """
    joint = fit_jointly(problem)
    with settled_or_told():
        return _fit_robustly(problem, joint)


def _fit_robustly(problem: Problem, joint: Joint) -> Joint:
    solution, scales = joint.solution, joint.scales
    soft = open_soft(problem, joint.standing.open)
    weight = np.ones(len(problem.conditions.rows))
    for _ in range(_ROUNDS):
        before = weight
        weight, scales = _weigh(problem, solution, soft, weight, scales)
        weighted = _weighted(problem, weight)
        solution = solve_problem(weighted, solution.theta, scales.log_variance, soft)
        if np.max(np.abs(weight - before), initial=0.0) < 10 * _SETTLED:
            break
    return _joint(problem, solution, soft, weight, scales)


def _weighted(problem: Problem, weight: FloatArray) -> Problem:
    return replace(problem, conditions=problem.conditions.weighted(weight))


def _weigh(
    problem: Problem,
    solution: Solution,
    soft: Soft | None,
    weight: FloatArray,
    scales: Scales,
) -> tuple[FloatArray, Scales]:
    """Weights and scales in turn, about one solution."""
    full = stack(problem, solution, soft)
    row, _ = np.nonzero(problem.conditions.present)
    for _ in range(_TURNS):
        before, sizes = weight, scales.log_variance
        left, distance, cutoff = _residuals(problem, solution, full, weight, sizes)
        weight = np.clip(cutoff / np.maximum(distance, cutoff), _LEAST, 1.0)
        kappa = np.where(distance > 0, _KAPPAS[problem.conditions.present.sum(axis=1) - 1], 1.0)
        counted = (weight / np.sqrt(kappa))[row] * left
        scales = estimate_scales(
            replace(full, residual=full.residual - left + counted), sizes, tolerance=1e-3
        )
        moved = np.max(np.abs(weight - before), initial=0.0)
        if max(moved, np.max(np.abs(scales.log_variance - sizes), initial=0.0)) < _SETTLED:
            break
    return weight, scales


def _residuals(
    problem: Problem,
    solution: Solution,
    full: Stacked,
    weight: FloatArray,
    log_variance: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Residuals (N,) of the weighted fit; of each row its distance and cutoff, (n,).

    The distance is that of the residual in its own standard deviations, leverage allowed
    for; zero for a row that alone determines a parameter.
    """
    conditions = problem.conditions
    scatter = condition_covariance(
        conditions, solution.linearised, solution.theta, np.exp(log_variance)
    )
    weighted = stack(_weighted(problem, weight), solution, None)
    projected = project(replace(weighted, ridge=full.ridge), log_variance)
    plain = project(full, log_variance)
    pull = projected.projection @ full.residual
    row, equation = np.nonzero(conditions.present)
    left = np.zeros(len(row))
    distance = np.zeros(len(weight))
    for number, own in _by_row(row):
        factor = np.linalg.cholesky(scatter[number][np.ix_(equation[own], equation[own])])
        whitened = factor.T @ pull[own] / weight[number]
        left[own] = factor @ whitened
        spare = factor.T @ plain.projection[np.ix_(own, own)] @ factor  # 1 - leverage
        if np.linalg.eigvalsh(spare)[0] > _ALONE:
            distance[number] = np.sqrt(whitened @ np.linalg.solve(spare, whitened))
    count = np.maximum(conditions.present.sum(axis=1), 1)
    return left, distance, _CUTOFFS[count - 1]


def _by_row(row: IntArray) -> list[tuple[int, IntArray]]:
    return [(int(number), np.flatnonzero(row == number)) for number in np.unique(row)]


def _joint(
    problem: Problem, solution: Solution, soft: Soft | None, weight: FloatArray, scales: Scales
) -> Joint:
    """The joint fit with rows worth what Huber's covariance makes them."""
    factor = covariance_factor(len(problem.free), int(problem.conditions.present.sum()))
    weighted = replace(_weighted(problem, weight / factor), held=weight)
    solution = solve_problem(weighted, solution.theta, scales.log_variance, soft)
    sizes = np.exp(scales.log_variance)
    standing = determined(weighted.conditions, solution, sizes, problem.size)
    stacked = stack(weighted, solution, open_soft(problem, standing.open))
    scales = Scales(
        log_variance=scales.log_variance, covariance=_of_bounded_residuals(scales.covariance)
    )
    return joint_of(weighted, solution, scales, standing, stacked)


def covariance_factor(parameters: int, equations: int) -> float:
    """Huber's factor on the covariance of weighted rows.

    Parameters
    ----------
    parameters, equations : int
        How many.

    Returns
    -------
    float
        Of a variance; about one, and larger the fewer equations there are a parameter.
    """
    small_sample = 1.0 + parameters / equations * (1.0 - _KEPT) / _KEPT
    return float(small_sample**2 * _KAPPA / _KEPT**2 * _MEAN_WEIGHT)


def _of_bounded_residuals(covariance: FloatArray) -> FloatArray:
    """Covariance of the log scales: bounded residuals tell less of them than squares do."""
    prior = 0.5 * PRIOR_READINGS * np.eye(len(covariance))
    information = SCALE_EFFICIENCY * (np.linalg.inv(covariance) - prior) + prior
    return np.asarray(np.linalg.inv(information))


def scores_as_read(joint: Joint) -> FloatArray:
    """Residual of each equation over its own deviation, leverage allowed for, (N,)."""
    row, _ = np.nonzero(joint.problem.conditions.present)
    pull = joint.projected.projection @ joint.stack.residual
    whole = pull / joint.problem.conditions.weight[row]
    spare = np.diag(as_read(joint).projected.projection)
    # an equation that alone determines a parameter has no residual to speak of
    return np.asarray(whole / np.sqrt(np.maximum(spare, 1e-12 * np.max(spare, initial=1e-300))))


def as_read(joint: Joint) -> Joint:
    """The same fit with every row counted fully: to see how far each one is from it."""
    problem = joint.problem
    if problem.held is None:
        return joint
    conditions = problem.conditions.weighted(np.ones_like(problem.held))
    whole = replace(problem, conditions=conditions, held=None)
    stacked = replace(stack(whole, joint.solution, None), ridge=joint.stack.ridge)
    return replace(
        joint,
        problem=whole,
        stack=stacked,
        projected=project(stacked, joint.scales.log_variance),
    )
