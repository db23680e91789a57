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
.. [1] P. J. Huber, Robust Statistics (1981), 7.6: the covariance and its small-sample
   factor.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import exp1, ndtr, ndtri

from motorfit.arrays import FloatArray
from motorfit.estimation.joint import (
    Joint,
    fit_jointly,
    joint_of,
    open_soft,
    row_blocks,
    settled_or_told,
    solve_problem,
    stack,
)
from motorfit.estimation.problem import Problem
from motorfit.estimation.rows import READ_TORQUE
from motorfit.estimation.scatter import (
    Scales,
    Stacked,
    estimate_scales,
    project,
)
from motorfit.estimation.solver import Soft, Solution, condition_covariance
from motorfit.estimation.standing import determined

#: From how many of its standard deviations on a reading counts less. Of clean readings
#: the fit loses 5 % of its efficiency to it.
CUTOFF = 1.345

#: A reading counts at least this much: the weight of a slip of a million deviations.
_LEAST = 1e-6

#: A row with a smaller share of its own left alone determines a parameter: it has no
#: residual to judge it by.
_ALONE = 1e-6

_ROUNDS = 8  # of solving with new weights
_TURNS = 60  # of weights and scales about one solution
_SETTLED = 1e-4  # of a weight and a log variance


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    r"""Expectations of normal residuals t, bounded: :math:`\psi = \max(-c, \min(t, c))`."""

    within: float  # E psi', the share that counts fully
    square: float  # E psi^2
    weight: float  # E psi / t
    scale_efficiency: float  # information about log sigma, relative to that of t itself

    @classmethod
    def at(cls, cutoff: float) -> Expected:
        """For one cutoff, in standard deviations."""
        beyond = 2.0 * float(ndtr(-cutoff))
        density = float(np.exp(-0.5 * cutoff**2) / np.sqrt(2.0 * np.pi))
        inner = 1.0 - beyond - 2.0 * cutoff * density  # E t^2 within the cutoff
        square = inner + cutoff**2 * beyond
        fourth = 3.0 * inner - 2.0 * cutoff**3 * density + cutoff**4 * beyond
        fading = cutoff * float(exp1(0.5 * cutoff**2)) / np.sqrt(2.0 * np.pi)
        return cls(
            within=1.0 - beyond,
            square=square,
            weight=1.0 - beyond + float(fading),
            scale_efficiency=2.0 * inner**2 / (fourth - square**2),
        )


_NORMAL = Expected.at(CUTOFF)

#: Of a row with two equations the squared residual is chi-square with two degrees of
#: freedom: the same share of clean rows is beyond this cutoff ...
_CUTOFFS = np.array([CUTOFF, np.sqrt(-2.0 * np.log(1.0 - _NORMAL.within))])

#: ... and this is what the square of each residual comes to, as it counts.
_SQUARES = np.array([_NORMAL.square, _NORMAL.within])


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

    for the part that comes from the scatter, with the expectations of normal residuals at
    the cutoff beyond which as many rows are as were held back. The factor is in the
    weights with which the rows enter everything downstream.
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
        kappa = np.where(distance > 0, _SQUARES[problem.conditions.present.sum(axis=1) - 1], 1.0)
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
    present = conditions.present
    pull = np.zeros(present.shape)
    pull[present] = projected.projection @ full.residual
    factor = np.asarray(np.linalg.cholesky(scatter), float)
    whitened = _each(factor.swapaxes(-1, -2), pull) / weight[:, None]
    spare = factor.swapaxes(-1, -2) @ row_blocks(plain.projection, present) @ factor  # 1 - leverage
    read = conditions.rows.torque_from == READ_TORQUE  # a log has had its own outliers left out
    judged = (np.linalg.eigvalsh(spare)[:, 0] > _ALONE) & read
    spare = np.where(judged[:, None, None], spare, np.eye(present.shape[1]))
    inverse = np.asarray(np.linalg.inv(spare), float)
    square = np.sum(whitened * _each(inverse, whitened), axis=1)
    distance = np.where(judged, np.sqrt(square), 0.0)
    count = np.maximum(present.sum(axis=1), 1)
    return _each(factor, whitened)[present], distance, _CUTOFFS[count - 1]


def _each(matrices: FloatArray, vectors: FloatArray) -> FloatArray:
    """Product of each matrix with its vector."""
    return np.asarray((matrices @ vectors[..., None])[..., 0])


def _joint(
    problem: Problem, solution: Solution, soft: Soft | None, weight: FloatArray, scales: Scales
) -> Joint:
    """The joint fit with rows worth what Huber's covariance makes them."""
    expected = Expected.at(effective_cutoff(weight))
    equations = int(problem.conditions.present.sum())
    factor = covariance_factor(expected, len(problem.free), equations)
    weighted = replace(_weighted(problem, weight / factor), held=weight)
    solution = solve_problem(weighted, solution.theta, scales.log_variance, soft)
    sizes = np.exp(scales.log_variance)
    standing = determined(weighted.conditions, solution, sizes, problem.size)
    stacked = stack(weighted, solution, open_soft(problem, standing.open))
    # bounded residuals tell less of their scale than squares do
    prior = np.diag(stacked.scale_prior.information)
    squares = np.linalg.inv(scales.covariance) - prior
    scales = Scales(
        log_variance=scales.log_variance,
        covariance=np.asarray(np.linalg.inv(expected.scale_efficiency * squares + prior), float),
    )
    return joint_of(weighted, solution, scales, standing, stacked)


def effective_cutoff(weight: FloatArray) -> float:
    """The cutoff beyond which normal residuals are as often as rows that are held back.

    Where few readings are told a usual scatter that is larger than theirs, fewer rows are
    beyond `CUTOFF` than its normal share, and less is lost. Half of the rows at most count.
    """
    share = np.clip(np.mean(weight < 1.0), 1e-3, 0.5)
    return float(-ndtri(0.5 * share))


def covariance_factor(expected: Expected, parameters: int, equations: int) -> float:
    """Huber's factor on the covariance of weighted rows.

    Parameters
    ----------
    expected : Expected
        Of the residuals.
    parameters, equations : int
        How many.

    Returns
    -------
    float
        Of a variance; about one, and larger the fewer equations there are a parameter.
    """
    small_sample = 1.0 + parameters / equations * (1.0 - expected.within) / expected.within
    return float(small_sample**2 * expected.square / expected.within**2 * expected.weight)


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
