r"""The joint solver: condition equations with errors in all variables, and priors.

Every reading x gives condition equations f(x, theta) = 0. To first order f scatters with
covariance

.. math:: C = A S A^\mathsf{T} + E, \qquad A = \partial f / \partial x

S the covariance of the readings' own errors and E what the equation itself lacks.
Minimised is the sum of squares of the whitened residuals :math:`L^{-1} f`,
:math:`L L^\mathsf{T} = C` at the current parameters, stacked with
:math:`(\theta_j - \mu_j) / u_j` for the parameters that have a prior. Holding C fixed
while iterating would give the wrong slope where the regressor carries an error. E alone
is held while solving: it belongs to no reading, and minimising over it would reward
parameters that make it large.

References
----------
.. [1] D. York et al., Am. J. Phys. 72 (2004) 367: the straight line with correlated
   errors in both variables; the covariance is the expected information's at the
   adjusted readings.
.. [2] JCGM 100:2008, 4.3 and 5.2: prior knowledge of an instrument as an input quantity.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from motorfit.arrays import BoolArray, FloatArray
from motorfit.errors import FitError


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Linearised:
    """Condition equations about one set of parameters.

    n readings, m equations a reading, q quantities a reading, p parameters.
    """

    residual: FloatArray  # f, shape (n, m); zero where the equation is absent
    design: FloatArray  # df/dtheta, (n, m, p)
    sensitivity: FloatArray  # A = df/dx, (n, m, q)
    sensitivity_slope: FloatArray  # dA/dtheta, (n, m, q, p)


class Equations(Protocol):
    """Condition equations of some model: what the solver needs to know of it."""

    @property
    def present(self) -> BoolArray:
        """Which equations exist, (n, m)."""

    def linearise(self, theta: FloatArray, shift: FloatArray | None = None) -> Linearised:
        """Equations at ``theta``; ``shift`` (n, q) is added to the readings."""

    def own_variance(self, theta: FloatArray, scales: FloatArray) -> FloatArray:
        """E, (n, m, m), at these scales of scatter."""

    def reading_covariance(self, scales: FloatArray) -> FloatArray:
        """S, (n, q, q), at these scales of scatter."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Priors:
    """What is known of the parameters beforehand; every array has shape (p,)."""

    mean: FloatArray
    deviation: FloatArray  # standard deviation, infinite where nothing is known
    lower: FloatArray
    upper: FloatArray

    @property
    def given(self) -> BoolArray:
        """Which parameters have a prior."""
        return np.isfinite(self.deviation)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Soft:
    """Directions that the readings leave open, held weakly so that the solver stays put."""

    directions: FloatArray  # (r, p): rows d with d (theta - centre) of order one
    centre: FloatArray  # (p,)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Solution:
    """Parameters that minimise the sum of squares, and the equations there."""

    theta: FloatArray
    linearised: Linearised  # at the adjusted readings, residuals at the observed ones
    covariance: FloatArray  # C, (n, m, m)
    whitened: FloatArray  # whitened residuals of the present equations


def condition_covariance(
    equations: Equations, at: Linearised, theta: FloatArray, scales: FloatArray
) -> FloatArray:
    """Covariance C of the condition equations, identity for absent ones, (n, m, m)."""
    scatter = equations.reading_covariance(scales)
    own = equations.own_variance(theta, scales)
    covariance = at.sensitivity @ scatter @ at.sensitivity.swapaxes(-1, -2) + own
    return _with_absent(covariance, equations.present)


def _with_absent(covariance: FloatArray, present: BoolArray) -> FloatArray:
    both = present[..., :, None] & present[..., None, :]
    return np.where(both, covariance, np.eye(present.shape[-1]))


def whiten(
    equations: Equations,
    theta: FloatArray,
    scales: FloatArray,
    own: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    r"""Whitened residuals and their exact Jacobian, E held.

    With :math:`r = L^{-1} f` and :math:`M = L^{-1}\,\mathrm{d}C\,L^{-\mathsf T}`,

    .. math:: \mathrm{d}r = L^{-1} \mathrm{d}f - \Phi(M)\, r

    where :math:`\Phi` takes the lower triangle with half the diagonal (the derivative
    of a Cholesky factor).

    Parameters
    ----------
    equations : Equations
        The model with its readings.
    theta : ndarray, shape (p,)
        Parameters.
    scales : ndarray
        Scales of scatter.
    own : ndarray, shape (n, m, m)
        E, which does not move with ``theta``.

    Returns
    -------
    residual : ndarray, shape (n, m)
    jacobian : ndarray, shape (n, m, p)
    """
    at = equations.linearise(theta)
    scatter = equations.reading_covariance(scales)
    spread = scatter @ at.sensitivity.swapaxes(-1, -2)  # S A', (n, q, m)
    covariance = _with_absent(at.sensitivity @ spread + own, equations.present)
    half = np.einsum("...mqp,...qk->...mkp", at.sensitivity_slope, spread)
    slope = half + half.swapaxes(-3, -2)
    both = equations.present[..., :, None] & equations.present[..., None, :]
    slope = np.where(both[..., None], slope, 0.0)

    inverse = np.linalg.inv(np.linalg.cholesky(covariance))
    residual = np.einsum("...ab,...b->...a", inverse, at.residual)
    middle = np.einsum("...ab,...bcp,...dc->...adp", inverse, slope, inverse)
    size = covariance.shape[-1]
    lower = np.tril(np.ones((size, size))) - 0.5 * np.eye(size)
    jacobian = np.einsum("...ab,...bp->...ap", inverse, at.design)
    jacobian -= np.einsum("...adp,ad,...d->...ap", middle, lower, residual)
    return residual, jacobian


class Objective:
    """Stacked residuals and Jacobian for the optimiser, each set of parameters once."""

    def __init__(
        self,
        equations: Equations,
        priors: Priors,
        start: FloatArray,
        scales: FloatArray,
        soft: Soft | None,
    ) -> None:
        self.equations, self.priors, self.scales, self.soft = equations, priors, scales, soft
        # held: a loss that is too large would be rewarded, the more the more readings there are
        self.own = equations.own_variance(start, scales)
        self._last: tuple[FloatArray, tuple[FloatArray, FloatArray]] | None = None

    def both(self, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Residual vector and Jacobian at ``theta``."""
        if self._last is not None and np.array_equal(theta, self._last[0]):
            return self._last[1]
        residual, jacobian = whiten(self.equations, theta, self.scales, self.own)
        present = self.equations.present
        given = self.priors.given
        deviation = self.priors.deviation[given]
        parts = [residual[present], (theta - self.priors.mean)[given] / deviation]
        slopes = [jacobian[present], np.eye(len(theta))[given] / deviation[:, None]]
        if self.soft is not None:
            parts.append(self.soft.directions @ (theta - self.soft.centre))
            slopes.append(self.soft.directions)
        found = np.concatenate(parts), np.concatenate(slopes)
        self._last = theta.copy(), found
        return found


def solve(
    equations: Equations,
    priors: Priors,
    start: FloatArray,
    scales: FloatArray,
    *,
    soft: Soft | None = None,
) -> Solution:
    """Minimise the whitened sum of squares within the bounds.

    What the equations themselves lack is held at its size at ``start``.

    Parameters
    ----------
    equations : Equations
        The model with its readings.
    priors : Priors
        Means, standard deviations and bounds of the parameters.
    start : ndarray, shape (p,)
        Where to begin; moved inside the bounds.
    scales : ndarray
        Scales of scatter, held while solving.
    soft : Soft, optional
        Directions that the readings leave open.

    Returns
    -------
    Solution

    Raises
    ------
    FitError
        If there are fewer equations and priors than parameters, or the optimiser
        fails.
    """
    inside = np.clip(start, priors.lower, priors.upper)
    objective = Objective(equations, priors, inside, scales, soft)
    if len(objective.both(inside)[0]) < len(start):
        raise FitError("fewer readings than parameters, and nothing else to hold them")
    theta = _least(objective, inside, priors)
    theta = _onto_bounds(theta, priors, objective.both(theta)[1])
    return solution_at(equations, theta, scales)


def _least(objective: Objective, start: FloatArray, priors: Priors) -> FloatArray:
    """Where the sum of squares is least within the bounds."""
    import lmfit

    names = [f"p{index}" for index in range(len(start))]
    parameters = lmfit.Parameters()
    for name, value, low, high in zip(names, start, priors.lower, priors.upper, strict=True):
        parameters.add(name, value=value, min=low, max=high)

    def vector(values: lmfit.Parameters) -> FloatArray:
        return np.fromiter((values[name].value for name in names), float, len(names))

    minimizer = lmfit.Minimizer(
        lambda values: objective.both(vector(values))[0],
        parameters,
        scale_covar=False,
        calc_covar=False,
    )
    for method in ("trf", "dogbox"):  # the second where the first gets stuck
        result = minimizer.least_squares(
            parameters,
            Dfun=lambda values: objective.both(vector(values))[1],
            method=method,
            x_scale="jac",
            ftol=1e-13,
            xtol=1e-12,
            gtol=1e-12,
            max_nfev=200,
        )
        if result.success:
            break
    theta = vector(result.params)
    if not (result.success and np.all(np.isfinite(theta))):
        raise FitError("the fit did not settle: the readings contradict each other wildly")
    return theta


#: A parameter this near its bound, in standard deviations, is at its bound.
_AT_BOUND = 1e-6


def _onto_bounds(theta: FloatArray, priors: Priors, jacobian: FloatArray) -> FloatArray:
    """The optimiser stays inside the bounds by a hair; end exactly on them."""
    near = _AT_BOUND / np.maximum(np.linalg.norm(jacobian, axis=0), np.finfo(float).tiny)
    theta = np.where(theta - priors.lower < near, priors.lower, theta)
    return np.asarray(np.where(priors.upper - theta < near, priors.upper, theta))


def solution_at(equations: Equations, theta: FloatArray, scales: FloatArray) -> Solution:
    """Equations at ``theta``, with the design at the readings as adjusted to them."""
    observed = equations.linearise(theta)
    covariance = condition_covariance(equations, observed, theta, scales)
    weighted = np.linalg.solve(covariance, observed.residual[..., None])
    scatter = equations.reading_covariance(scales)
    shift = -(scatter @ observed.sensitivity.swapaxes(-1, -2) @ weighted)[..., 0]
    adjusted = equations.linearise(theta, shift)
    factor = np.linalg.cholesky(covariance)
    whitened = np.linalg.solve(factor, observed.residual[..., None])[..., 0]
    return Solution(
        theta=theta,
        linearised=Linearised(
            residual=observed.residual,
            design=adjusted.design,
            sensitivity=observed.sensitivity,
            sensitivity_slope=adjusted.sensitivity_slope,
        ),
        covariance=covariance,
        whitened=whitened[equations.present],
    )
