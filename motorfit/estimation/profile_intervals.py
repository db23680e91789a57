r"""Intervals from the profile of the sum of squares.

One parameter is held beside its estimate while all others follow; by how much the
whitened sum of squares grows, :math:`\Delta`, tells how far the readings let it go. The
interval ends where

.. math:: \sqrt{\Delta\, u_0^2 / u^2} = t_\nu

with :math:`t_\nu` the quantile of the linear interval, :math:`u` the standard uncertainty
and :math:`u_0` the same without what was added for residuals that hang together or a best
fit beyond a bound, of which the sum of squares knows nothing. Where the sum of squares is
a parabola this is the linear interval. The scales of the scatter are held.

References
----------
.. [1] D. M. Bates and D. G. Watts, Nonlinear Regression Analysis and Its Applications
   (Wiley, 1988), 6.1.2: the profile t function.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from typing import Any

import lmfit
import numpy as np
from lmfit.minimizer import MinimizerException
from scipy.special import stdtr

from motorfit.arrays import FloatArray
from motorfit.estimation.intervals import Profiled
from motorfit.estimation.joint import open_soft
from motorfit.estimation.solver import Objective
from motorfit.estimation.uncertainty import Uncertainty
from motorfit.profile.model import PARAMETER_UNITS

#: How often the search may step outwards, a standard uncertainty at a time.
_STEPS = 40


def profile_intervals(uncertainty: Uncertainty, level: float) -> Profiled:
    """Profile intervals of the machine parameters that have a value.

    Parameters
    ----------
    uncertainty : Uncertainty
        Of a solved bench.
    level : float
        Coverage.

    Returns
    -------
    Profiled
        Without those whose profile does not close, each with a note: an estimate on its
        bound, a sum of squares that stops growing.
    """
    joint = uncertainty.joint
    lower = joint.problem.priors(joint.scales.log_variance).lower
    ends: dict[int, tuple[float, float]] = {}
    notes = []
    try:
        search = _Search(uncertainty, level)
    except _NotClosedError as reason:
        return Profiled(ends={}, notes=(f"intervals made linearly, for the profile {reason}",))
    for place, name in enumerate(joint.problem.names):
        if name not in PARAMETER_UNITS or not joint.standing.known[place]:
            continue
        try:
            best = float(joint.machine[place])
            below, above = search.ends(place, at_bound=best <= lower[place])
            ends[place] = best + below, best + above
        except _NotClosedError as reason:
            words = name.replace("_", " ")
            notes.append(f"interval of the {words} made linearly, for its profile {reason}")
    return Profiled(ends=ends, notes=tuple(notes))


class _NotClosedError(Exception):
    """Why a profile gives no interval."""


class _Scaled(lmfit.Minimizer):  # type: ignore[misc]
    """The sum of squares in standard uncertainties from the estimate, with its Jacobian.

    `lmfit.conf_interval` asks for ``leastsq``, takes the standard uncertainty for its step
    only where a value is larger than that, and knows no step below 0.001. So every
    parameter here is `_ORIGIN` at the estimate and has a standard uncertainty of one.
    """

    def __init__(self, objective: Objective, centre: FloatArray, scale: FloatArray) -> None:
        self.objective, self.centre, self.scale = objective, centre, scale
        parameters = lmfit.Parameters()
        for index in range(len(centre)):
            parameters.add(f"p{index}", value=_ORIGIN)
        super().__init__(lambda values: self._both(values)[0], parameters, scale_covar=False)

    def _both(self, values: lmfit.Parameters) -> tuple[FloatArray, FloatArray]:
        scaled = np.array([each.value for each in values.values()])
        residual, jacobian = self.objective.both(self.centre + self.scale * (scaled - _ORIGIN))
        return residual, jacobian * self.scale

    def _free_columns(self, values: lmfit.Parameters) -> FloatArray:
        free = np.array([each.vary for each in values.values()])
        return self._both(values)[1][:, free]

    def leastsq(self, params: lmfit.Parameters | None = None) -> Any:
        """The fit of the parameters that vary."""
        found = self.least_squares(params, Dfun=self._free_columns, x_scale="jac", max_nfev=100)
        if not found.success:
            raise _NotClosedError("has no minimum beside the estimate")
        return found


#: Where the estimate lies in the scaled parameters: anything above one.
_ORIGIN = 10.0


class _Search:
    """The search for the ends of intervals, in standard uncertainties of the fit."""

    def __init__(self, uncertainty: Uncertainty, level: float) -> None:
        joint = uncertainty.joint
        self.uncertainty, self.level = uncertainty, level
        self.deviation = np.sqrt(np.diag(joint.covariance))
        priors = joint.problem.priors(joint.scales.log_variance)
        objective = Objective(
            joint.problem.conditions,
            priors,
            joint.solution.theta,
            np.exp(joint.scales.log_variance),
            open_soft(joint.problem, joint.standing.open),
        )
        scale = np.concatenate([self.deviation, priors.deviation[len(self.deviation) :]])
        self.minimizer = _Scaled(objective, joint.solution.theta, scale)
        # without bounds: a parameter on its bound stays in the covariance of the others
        self.best = self.minimizer.leastsq()
        for place in range(len(self.deviation)):
            self.best.params[f"p{place}"].stderr = 1.0

    def ends(self, place: int, at_bound: bool) -> tuple[float, float]:
        """How far below and above the estimate one parameter may be."""
        if at_bound:
            raise _NotClosedError("begins at its bound")
        name = f"p{place}"
        best = self.best.params[name].value
        low, high = self._closed(name, self._probability(place))
        return float((low - best) * self.deviation[place]), float(
            (high - best) * self.deviation[place]
        )

    def _probability(self, place: int) -> Callable[[Any, Any], float]:
        """Of an interval that ends where a parameter is held, from both fits."""
        weights = np.eye(len(self.deviation))[place]
        scatter, instruments = self.uncertainty.shares(weights)
        share = float(self.deviation[place] ** 2 / (scatter + instruments.sum()))
        freedom = self.uncertainty.degrees_of_freedom(weights)

        def probability(best: Any, held: Any) -> float:
            # absolute: the pseudo-readings of the priors know their own size
            grown = max(0.0, float(held.chisqr - best.chisqr)) * share
            return 1.0 - 2.0 * float(stdtr(freedom, -(grown**0.5)))

        return probability

    def _closed(self, name: str, probability: Callable[[Any, Any], float]) -> tuple[float, float]:
        """Both ends, in scaled units."""
        with warnings.catch_warnings():
            # of probabilities that stop growing, or are not reached within the steps
            warnings.simplefilter("error", UserWarning)
            try:
                found = lmfit.conf_interval(
                    self.minimizer,
                    self.best,
                    p_names=[name],
                    sigmas=[self.level],
                    maxiter=_STEPS,
                    prob_func=probability,
                )
            except (UserWarning, MinimizerException, ValueError, np.linalg.LinAlgError):
                raise _NotClosedError("does not close") from None
        (_, low), _, (_, high) = found[name]
        if not np.isfinite(low + high):
            raise _NotClosedError("does not close")
        return float(low), float(high)
