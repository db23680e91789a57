r"""Draws of the scales of scatter: which others the residuals would allow.

Their density is the restricted likelihood times its prior, in the log variances t. One
scale alone, on :math:`\nu` degrees of freedom, has a variance that is
:math:`\nu/\chi^2_\nu` times the estimate, and what is weighed with it the tails of
Student's t. Several that the residuals hardly tell apart, as those of voltage and speed,
go against each other: each may be anything, their sum may not. Drawn each by itself they
would make intervals half as wide again as they should be.

References
----------
.. [1] J. S. Liu, Monte Carlo Strategies in Scientific Computing (Springer, 2001), 2.5:
   importance sampling, and resampling by the weights.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.estimation.joint import Joint, row_covariances
from motorfit.estimation.scale_priors import ScalePrior

#: Degrees of freedom of the proposals: their tails are heavier than those of the density.
_TAILS = 4.0

#: Proposals for each draw.
_PROPOSALS = 3

#: Draws of the first round.
_FIRST = 300

#: Of a log variance, so that a covariance has a factor.
_LEAST_VARIANCE = 1e-6

#: Numbers that the work may keep at a time, 64 MB.
_NUMBERS = 2**23

#: Variances smaller or larger than their usual size by more than this are not proposed.
_FARTHEST = 25.0  # of a log variance


def draw_scales(joint: Joint, count: int, rng: np.random.Generator) -> FloatArray:
    """Log variances of the components, (B, c).

    Parameters
    ----------
    joint : Joint
        A solved bench of c components.
    count : int
        B, how many.
    rng : numpy.random.Generator
        Where chance comes from.

    Returns
    -------
    ndarray, shape (B, c)

    Notes
    -----
    Proposals from a multivariate t about the estimate are weighted by the density over
    theirs; a second round is proposed about the mean of the first, with its covariance.
    """
    scales = joint.scales
    return draw_likely(
        RestrictedLikelihood.of(joint), scales.log_variance, scales.covariance, count, rng
    )


def held_scales(joint: Joint, count: int) -> FloatArray:
    """The estimated log variances B times over, (B, c)."""
    return np.tile(joint.scales.log_variance, (count, 1))


def draw_likely(
    log_density: Callable[[FloatArray], FloatArray],
    centre: FloatArray,
    covariance: FloatArray,
    count: int,
    rng: np.random.Generator,
) -> FloatArray:
    """Draws (B, c) from a density whose centre and covariance are roughly known.

    Parameters
    ----------
    log_density : callable
        From (B, c) to (B,), up to a constant.
    centre, covariance : ndarray, shape (c,) and (c, c)
        Where to begin.
    count : int
        B, how many.
    rng : numpy.random.Generator
        Where chance comes from.

    Returns
    -------
    ndarray, shape (B, c)
    """
    for size in (_PROPOSALS * _FIRST, _PROPOSALS * count):
        proposed, proposal = _propose(centre, covariance, size, rng)
        weight = _weights(log_density(proposed) - proposal)
        centre = weight @ proposed
        off = proposed - centre
        covariance = (weight[:, None] * off).T @ off + _LEAST_VARIANCE * np.eye(len(centre))
    # systematic resampling: as few doubles as the weights allow
    at = (np.arange(count) + rng.uniform()) / count
    chosen = np.minimum(np.searchsorted(np.cumsum(weight), at), len(weight) - 1)
    return np.asarray(rng.permutation(proposed[chosen]))


def _weights(log_weight: FloatArray) -> FloatArray:
    weight = np.exp(log_weight - np.max(log_weight))
    return np.asarray(weight / weight.sum())


def _propose(
    centre: FloatArray, covariance: FloatArray, count: int, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    """Multivariate t draws (B, c) and their log density up to a constant (B,)."""
    factor = np.linalg.cholesky(covariance)
    stretch = np.sqrt(_TAILS / rng.chisquare(_TAILS, size=count))
    unit = rng.normal(size=(count, len(centre))) * stretch[:, None]
    square = np.einsum("bc,bc->b", unit, unit)
    log_density = -0.5 * (_TAILS + len(centre)) * np.log1p(square / _TAILS)
    return np.clip(centre + unit @ factor.T, -_FARTHEST, _FARTHEST), log_density


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RestrictedLikelihood:
    """Log density of many sets of scales at once.

    The stacked equations have covariance blocks of one row each, and errors that rows
    share. The latter are parameters with a prior here (Woodbury's identity), which makes
    a set of scales cheap.
    """

    blocks: FloatArray  # (1 + c, n, m, m): what is known of a row's covariance, components
    products: FloatArray  # (n m m, q q): of the columns of parameters, shared errors, residual
    parameters: int
    ridge: FloatArray  # (p, p)
    prior: ScalePrior
    component: FloatArray  # (r, c): one where a shared error's size is a component's

    @classmethod
    def of(cls, joint: Joint) -> RestrictedLikelihood:
        """The likelihood of a solved bench, linear about its solution."""
        problem, solution = joint.problem, joint.solution
        nuisances, machine = problem.assembled.nuisances, len(joint.machine)
        design = solution.linearised.design
        # parameters differ in size by many orders of magnitude
        size = np.sqrt(np.maximum(np.diag(joint.covariance), np.finfo(float).tiny))
        deviation = np.array([nuisance.deviation for nuisance in nuisances])
        residual = np.zeros(problem.conditions.present.shape)
        residual[problem.conditions.present] = joint.stack.residual
        columns = np.concatenate(
            [design * np.concatenate([size, deviation]), residual[..., None]], axis=-1
        )
        count = len(joint.scales.log_variance)
        component = np.zeros((len(nuisances), count))
        for index, nuisance in enumerate(nuisances):
            if nuisance.component is not None:
                component[index, nuisance.component] = 1.0
        products = np.einsum("nap,nbq->nabpq", columns, columns)
        return cls(
            blocks=_blocks(joint),
            products=products.reshape(-1, columns.shape[-1] ** 2),
            parameters=machine,
            ridge=joint.stack.ridge * size[:, None] * size,
            prior=joint.stack.scale_prior,
            component=component,
        )

    def __call__(self, log_variance: FloatArray) -> FloatArray:
        """Log density at each of B sets of scales (B, c), up to a constant, (B,)."""
        most = max(1, _NUMBERS // self.products.shape[1])
        starts = range(0, len(log_variance), most)
        return np.concatenate([self._at(log_variance[start : start + most]) for start in starts])

    def _at(self, log_variance: FloatArray) -> FloatArray:
        scales = np.exp(log_variance)
        covariance = self.blocks[0] + np.tensordot(scales, self.blocks[1:], axes=1)
        inverse = np.linalg.inv(covariance).reshape(len(scales), -1)
        size = round(self.products.shape[1] ** 0.5)
        whole = (inverse @ self.products).reshape(-1, size, size)
        information, pull, square = whole[:, :-1, :-1], whole[:, :-1, -1], whole[:, -1, -1]
        shared = log_variance @ self.component.T  # log variance of each shared error
        information[:, : self.parameters, : self.parameters] += self.ridge
        place = np.arange(self.parameters, size - 1)
        information[:, place, place] += np.exp(-shared)
        moved = np.linalg.solve(information, pull[..., None])[..., 0]
        left = square - np.einsum("bq,bq->b", pull, moved)
        volume = (
            np.linalg.slogdet(covariance)[1].sum(axis=1)
            + shared.sum(axis=1)
            + np.linalg.slogdet(information)[1]
        )
        return np.asarray(self.prior.log_density(log_variance) - 0.5 * (volume + left))


def _blocks(joint: Joint) -> FloatArray:
    """Covariance of each row's equations, the identity for absent ones, (1 + c, n, m, m)."""
    present = joint.problem.conditions.present
    both = present[:, :, None] & present[:, None, :]
    known, *scattering = row_covariances(joint.problem, joint.solution)
    first = np.where(both, known, np.eye(present.shape[-1]))
    return np.stack([first, *(np.where(both, block, 0.0) for block in scattering)])
