"""Uncertainty of the machine parameters, split by cause, and their intervals."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.estimate import Estimate, Standing
from motorfit.estimation.intervals import Asked, Linear, Way
from motorfit.estimation.joint import Joint
from motorfit.estimation.rows import Nuisance
from motorfit.estimation.scatter import effective_degrees_of_freedom, variance_slopes

#: A best fit further beyond a bound than this many standard uncertainties says that the
#: model lacks something; nearer, it is the scatter of a parameter that is about zero.
BEYOND = 2.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Uncertainty:
    """Covariance of p machine parameters by cause.

    The total is the scatter part plus, over the instruments, the outer product of their
    sensitivities times their variance.
    """

    joint: Joint
    scatter: FloatArray  # (p, p), widened where the residuals or a bound ask for it
    instruments: tuple[Nuisance, ...]
    sensitivity: FloatArray  # (p, r) of those instruments
    widening: float  # factor on the scatter's variance for residuals that hang together
    way: Way = field(default_factory=Linear)  # to an interval

    @property
    def total(self) -> FloatArray:
        """Total covariance, (p, p)."""
        scaled = self.sensitivity * [nuisance.deviation for nuisance in self.instruments]
        return np.asarray(self.scatter + scaled @ scaled.T)

    def shares(self, weights: FloatArray) -> tuple[float, FloatArray]:
        """Variance of one linear combination from the scatter and from each instrument."""
        deviations = np.array([nuisance.deviation for nuisance in self.instruments])
        return max(0.0, float(weights @ self.scatter @ weights)), np.asarray(
            (weights @ self.sensitivity * deviations) ** 2
        )

    def degrees_of_freedom(self, weights: FloatArray) -> float:
        """Effective degrees of freedom of one linear combination."""
        joint = self.joint
        slopes = variance_slopes(joint.stack, joint.projected, joint.scales.log_variance)
        changes = self.widening * np.einsum("p,cps,s->c", weights, slopes, weights)
        variance = np.array([weights @ self.total @ weights])
        freedom = effective_degrees_of_freedom(variance, changes[:, None], joint.scales)
        return float(freedom[0])

    def estimate(
        self,
        weights: FloatArray,
        *,
        value: float,
        unit: str,
        level: float,
        lower: float = -np.inf,
        standing: Standing = "measured",
    ) -> Estimate:
        """Estimate of one linear combination of the parameters.

        Parameters
        ----------
        weights : ndarray, shape (p,)
            Of the machine parameters.
        value : float
            Its value.
        unit : str
            UCUM code.
        level : float
            Coverage of the interval.
        lower : float
            Physical bound: the interval does not go below. An estimate on it has a
            one-sided interval.
        standing : str
            How it is known.

        Returns
        -------
        Estimate
            Its interval is made the `way` of this uncertainty, all else linearly.

        Raises
        ------
        ValueError
            If an end of the interval is not finite.
        """
        from_scatter, from_instruments = self.shares(weights)
        variance = from_scatter + float(from_instruments.sum())
        freedom = self.degrees_of_freedom(weights)
        made = self.way.interval(
            Asked(
                weights=weights,
                value=value,
                deviation=variance**0.5,
                degrees_of_freedom=freedom,
                lower=lower,
                level=level,
            )
        )
        if not np.all(np.isfinite(made.interval)):
            raise ValueError(f"{value} {unit} has an interval that is not finite")
        return Estimate(
            value=value,
            unit=unit,
            standard_uncertainty=variance**0.5,
            from_scatter=from_scatter**0.5,
            from_instruments=float(from_instruments.sum()) ** 0.5,
            interval=made.interval,
            level=level,
            degrees_of_freedom=freedom,
            method=made.method,
            standing=standing,
        )


def beyond_bounds(joint: Joint) -> FloatArray:
    """How far the best fit without bounds lies below each bound, (p,); zero where inside.

    Only what exceeds `BEYOND` standard uncertainties counts.
    """
    problem = joint.problem
    lower = problem.priors(joint.scales.log_variance).lower[: len(problem.free)]
    short = lower - joint.unbounded
    deviation = np.sqrt(np.diag(joint.covariance))
    return np.where(short > BEYOND * deviation, short, 0.0)


def moved_along(joint: Joint, index: np.intp) -> FloatArray:
    """By how much the parameters move when one of them is moved by one, (p,)."""
    return np.asarray(joint.covariance[:, index] / joint.covariance[index, index])


def split_uncertainty(joint: Joint, widening: float = 1.0) -> Uncertainty:
    """Covariance of a joint fit by cause.

    Parameters
    ----------
    joint : Joint
        A solved bench.
    widening : float, at least 1
        Factor on the scatter's variance.

    Returns
    -------
    Uncertainty

    Raises
    ------
    ValueError
        If the covariance is not finite.

    Notes
    -----
    Where the best fit lies beyond a bound, what it is short of is added as a variance
    along the direction in which that parameter moves the others: the model lacks
    something of that size. Likewise what a term that the readings hint at, and that was left
    out, would move them by.
    """
    nuisances = joint.problem.assembled.nuisances
    chosen = [index for index, nuisance in enumerate(nuisances) if nuisance.error != "effect"]
    instruments = tuple(nuisances[index] for index in chosen)
    sensitivity = joint.sensitivity[:, chosen]
    scaled = sensitivity * [nuisance.deviation for nuisance in instruments]
    scatter = widening * (joint.covariance - scaled @ scaled.T)
    short = beyond_bounds(joint)
    for index in np.flatnonzero(short):
        along = moved_along(joint, index)
        scatter = scatter + short[index] ** 2 * np.outer(along, along)
    if joint.hinted is not None:
        scatter = scatter + joint.hinted.T @ joint.hinted
    if not (np.all(np.isfinite(scatter)) and np.all(np.isfinite(sensitivity))):
        raise ValueError("the covariance is not finite")
    return Uncertainty(
        joint=joint,
        scatter=0.5 * (scatter + scatter.T),
        instruments=instruments,
        sensitivity=sensitivity,
        widening=widening,
    )
