r"""Variance components: how large the scatter is, as the residuals tell.

The stacked condition equations have covariance

.. math:: V(t) = V_0 + \sum_c e^{t_c} H_c

V0 what is known (rounding, instruments), H_c the pattern of one component at its usual
size, and :math:`e^{t_c}` its variance relative to that. The t maximise the restricted
likelihood times, for each component, a prior worth a few readings
(`motorfit.estimation.scale_priors`), so that a handful of residuals does not pretend to
know a scatter.

References
----------
.. [1] H. D. Patterson and R. Thompson, Biometrika 58 (1971) 545: restricted likelihood.
.. [2] F. E. Satterthwaite, Biometrics Bull. 2 (1946) 110: effective degrees of freedom;
   JCGM 100:2008, G.4.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.estimation.scale_priors import PRIOR_READINGS, ScalePrior

_LEAST_DAMPING = 0.2  # of a step
_LARGEST_STEP = 1.5  # of a log variance in one step, a factor of 4.5
_MOST_STEPS = 40  # a few settle the scales of most benches


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stacked:
    """Condition equations in one column, linear about a solution.

    N present equations, p parameters without a prior, c components.
    """

    residual: FloatArray  # y with every prior parameter at its mean, (N,)
    design: FloatArray  # X of the parameters without a prior, (N, p)
    fixed: FloatArray  # V0, (N, N)
    patterns: FloatArray  # H, (c, N, N)
    ridge: FloatArray  # (p, p): information that holds what the readings leave open
    prior: ScalePrior | None = None  # of the scales; of two readings each where left out

    @property
    def scale_prior(self) -> ScalePrior:
        """Prior of the scales."""
        return self.prior or ScalePrior.worth(PRIOR_READINGS, len(self.patterns))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scales:
    """Variance of each component relative to its usual size."""

    log_variance: FloatArray  # t, (c,)
    covariance: FloatArray  # of t, (c, c)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Projected:
    """What generalised least squares makes of a stack at one set of scales."""

    weight: FloatArray  # V^-1, (N, N)
    covariance: FloatArray  # (X' V^-1 X)^-1, (p, p)
    gain: FloatArray  # covariance X' V^-1: from residuals to parameters, (p, N)
    projection: FloatArray  # P = V^-1 - V^-1 X covariance X' V^-1, (N, N)


def project(stack: Stacked, log_variance: FloatArray) -> Projected:
    """Generalised least squares of ``stack`` with its scales at ``log_variance``."""
    total = stack.fixed + np.tensordot(np.exp(log_variance), stack.patterns, axes=1)
    weight = np.linalg.inv(total)
    weight = 0.5 * (weight + weight.T)
    information = stack.design.T @ weight @ stack.design + stack.ridge
    # parameters differ in size by many orders of magnitude
    size = 1.0 / np.sqrt(np.maximum(np.diag(information), np.finfo(float).tiny))
    covariance = np.linalg.pinv(information * size[:, None] * size, hermitian=True)
    covariance = covariance * size[:, None] * size
    gain = covariance @ stack.design.T @ weight
    return Projected(
        weight=weight,
        covariance=covariance,
        gain=gain,
        projection=weight - weight @ stack.design @ gain,
    )


def estimate_scales(
    stack: Stacked,
    start: FloatArray | None = None,
    *,
    tolerance: float = 1e-4,
) -> Scales:
    """Scales of the variance components by restricted likelihood.

    Parameters
    ----------
    stack : Stacked
        Residuals and patterns, with the prior of the scales.
    start : ndarray, shape (c,), optional
        Where to begin, zero (the usual size) by default.
    tolerance : float
        Largest change of a log variance in the last step.

    Returns
    -------
    Scales
        With the covariance from the expected information: readings less parameters, plus
        those that the prior is worth, are the degrees of freedom of a single component.
    """
    count = len(stack.patterns)
    prior = stack.scale_prior
    log_variance = np.zeros(count) if start is None else start.copy()
    information = np.eye(count)
    before, damping = np.zeros(count), 1.0
    for _ in range(_MOST_STEPS):
        slope, information = _score(stack, log_variance, prior)
        # where the prior is steep its curvature keeps the step short of the far side
        steep = np.diag(prior.steepness(log_variance))
        step = np.linalg.solve(information + steep, slope)
        step = np.clip(step, -_LARGEST_STEP, _LARGEST_STEP)
        if np.max(np.abs(step), initial=0.0) < tolerance:
            log_variance = log_variance + step
            break
        # scales that are hard to tell apart go too far, back, and too far again
        turned = bool(step @ before < 0.0)
        damping = max(0.5 * damping, _LEAST_DAMPING) if turned else min(1.5 * damping, 1.0)
        log_variance = log_variance + damping * step
        before = step
    return Scales(
        log_variance=log_variance, covariance=np.asarray(np.linalg.inv(information), float)
    )


def _score(
    stack: Stacked, log_variance: FloatArray, prior: ScalePrior
) -> tuple[FloatArray, FloatArray]:
    projection = project(stack, log_variance).projection
    pull = projection @ stack.residual
    slopes = np.exp(log_variance)[:, None, None] * stack.patterns
    turned = projection @ slopes  # P dV, (c, N, N)
    quadratic = np.einsum("i,cij,j->c", pull, slopes, pull)
    slope = 0.5 * (quadratic - np.trace(turned, axis1=1, axis2=2))
    information = 0.5 * np.einsum("cij,dji->cd", turned, turned)
    return slope + prior.slope(log_variance), information + np.diag(prior.information)


def variance_slopes(stack: Stacked, projected: Projected, log_variance: FloatArray) -> FloatArray:
    """Change of the parameters' covariance with each log variance, (c, p, p)."""
    slopes = np.exp(log_variance)[:, None, None] * stack.patterns
    return np.asarray(projected.gain @ slopes @ projected.gain.T)


def effective_degrees_of_freedom(
    variance: FloatArray, slopes: FloatArray, scales: Scales
) -> FloatArray:
    r"""Effective degrees of freedom of variances that hang on estimated scales.

    .. math:: \nu = 2 u^4 / (g^\mathsf{T} \mathrm{Cov}(t)\, g), \qquad g = \partial u^2/\partial t

    Parameters
    ----------
    variance : ndarray, shape (k,)
        Variances u^2, the instruments' part included.
    slopes : ndarray, shape (c, k)
        Their change with each log variance.
    scales : Scales
        The estimated scales.

    Returns
    -------
    ndarray, shape (k,)
        Infinite where the scatter has no part in a variance.

    Notes
    -----
    With one component this is Welch and Satterthwaite's formula (JCGM 100, G.4.1), the
    instruments counting with infinite degrees of freedom.
    """
    spread = np.einsum("ck,cd,dk->k", slopes, scales.covariance, slopes)
    with np.errstate(divide="ignore"):
        return np.asarray(np.where(spread > 0, 2.0 * variance**2 / spread, np.inf))
