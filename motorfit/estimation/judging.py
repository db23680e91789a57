r"""Directions in a stack of condition equations, judged by the residuals.

With P the projection of the restricted likelihood (parameters and everything with a
prior taken out), a fault of size s along d is estimated by

.. math:: \hat s = \frac{d^\mathsf{T} P y}{d^\mathsf{T} P d}, \qquad
          u^2(\hat s) = \frac{1}{d^\mathsf{T} P d}

References
----------
.. [1] R. D. Cook, S. Weisberg, Residuals and Influence in Regression (1982): mean
   shift, externally studentised residuals.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.estimation.scatter import Scales, Stacked, project

#: Directions whose information is less than this share of what it would be without any
#: parameter are taken up by the parameters.
_ABSORBED = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Judged:
    """M directions judged one by one; every array has shape (M,)."""

    size: FloatArray
    deviation: FloatArray
    score: FloatArray  # size over deviation; zero for what the parameters take up
    freedom: FloatArray  # degrees of freedom of the scales in the deviation


def judge(stack: Stacked, scales: Scales, directions: FloatArray) -> Judged:
    """Size and score of each direction at these scales.

    Parameters
    ----------
    stack : Stacked
        Condition equations.
    scales : Scales
        Of the scatter.
    directions : ndarray, shape (N, M)
        One a column.

    Returns
    -------
    Judged
    """
    projected = project(stack, scales.log_variance)
    pulled = projected.projection @ directions
    information = np.einsum("nm,nm->m", directions, pulled)
    whole = np.einsum("nm,nm->m", directions, projected.weight @ directions)
    free = information > _ABSORBED * np.maximum(whole, np.finfo(float).tiny)
    information = np.where(free, information, 1.0)
    size = np.where(free, pulled.T @ stack.residual / information, 0.0)
    slopes = np.exp(scales.log_variance)[:, None, None] * stack.patterns
    shares = np.einsum("nm,cnm->cm", pulled, slopes @ pulled) / information
    spread = np.einsum("cm,cd,dm->m", shares, scales.covariance, shares)
    return Judged(
        size=size,
        deviation=information**-0.5,
        score=size * information**0.5,
        freedom=2.0 / np.maximum(spread, 2e-9),
    )


def with_directions(stack: Stacked, directions: Sequence[FloatArray]) -> Stacked:
    """The stack with further parameters, one a direction."""
    if not directions:
        return stack
    count = len(stack.ridge) + len(directions)
    ridge = np.zeros((count, count))
    ridge[: len(stack.ridge), : len(stack.ridge)] = stack.ridge
    return replace(stack, design=np.column_stack([stack.design, *directions]), ridge=ridge)


def likelihood(bare: Stacked, stack: Stacked, scales: Scales, *, prior: bool = True) -> float:
    """Log restricted likelihood of the bare bench, at the best sizes of what is joined.

    Parameters
    ----------
    bare : Stacked
        The bench.
    stack : Stacked
        The same with directions joined to its design.
    scales : Scales
        Of the scatter.
    prior : bool
        With what is known of the scales beforehand.

    Returns
    -------
    float
        Up to a constant of the bare bench.
    """
    t = scales.log_variance
    projected = project(stack, t)
    determinant = np.linalg.slogdet(projected.weight)[1]
    information = bare.design.T @ projected.weight @ bare.design + bare.ridge
    determinant -= np.linalg.slogdet(information)[1]
    square = stack.residual @ projected.projection @ stack.residual
    known = stack.scale_prior.log_density(t) if prior else 0.0
    return float(0.5 * (determinant - square) + known)
