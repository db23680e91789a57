r"""Uncertainty of a fitted heat path: its parts, and intervals by the profile.

A heat run that ended early tells the heat capacity well, the thermal resistance badly: the
sum of squares is no parabola then. Its profile along the time constant is followed; at each
point the resistance is nearly normal, so that its own profile follows from

.. math:: D_R(r) = \min_\tau\; D(\tau) + \frac{(\ln r - \ln \hat R(\tau))^2}{s^2}
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from motorfit.arrays import BoolArray, FloatArray
from motorfit.estimate import Estimate, coverage_factor
from motorfit.estimation.heat_errors import Unknown
from motorfit.estimation.heat_fit import Fitted, along_lag

#: Each end of an interval is searched in so many steps of half the linear half-width.
_MOST_STEPS = 16

#: Fewer degrees of freedom than this are never taken: the usual scatter counts as well.
LEAST_FREEDOM = 2.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spread:
    """Uncertainty of the c logarithms of a heat path, by cause."""

    core: FloatArray  # (c,)
    total: FloatArray  # (c, c)
    sensitivity: FloatArray  # (c, u) for each unknown in its own uncertainty
    instrument: BoolArray  # (u,) which of them are an instrument's
    degrees_of_freedom: float  # of the scatter
    unknowns: tuple[Unknown, ...]

    @property
    def scatter(self) -> FloatArray:
        """All that is no instrument's, (c, c)."""
        known = self.sensitivity[:, self.instrument]
        return np.asarray(self.total - known @ known.T)

    def freedom(self, weights: FloatArray) -> float:
        """Effective degrees of freedom of a combination (JCGM 100, G.4.1)."""
        whole = float(weights @ self.total @ weights)
        unknown = float(np.sum((weights @ self.sensitivity) ** 2))
        scatter = max(whole - unknown, 1e-12 * whole)
        return float(self.degrees_of_freedom * (whole / scatter) ** 2)

    def estimate(
        self,
        weights: FloatArray,
        unit: str,
        level: float,
        interval: tuple[float, float] | None = None,
    ) -> Estimate:
        """Of the exponential of a combination; its interval is symmetric in the logarithm.

        Parameters
        ----------
        weights : ndarray, shape (c,)
            Of the logarithms.
        unit : str
            UCUM code.
        level : float
            Coverage.
        interval : tuple of float, optional
            Of the logarithm, where it was made otherwise.

        Returns
        -------
        Estimate
        """
        middle = float(weights @ self.core)
        return self.of(middle, weights, unit, level, interval)

    def of(
        self,
        middle: float,
        weights: FloatArray,
        unit: str,
        level: float,
        interval: tuple[float, float] | None = None,
    ) -> Estimate:
        """The same of any function of the logarithms with these slopes."""
        value, freedom = float(np.exp(middle)), self.freedom(weights)
        whole = float(weights @ self.total @ weights)
        scatter = min(max(float(weights @ self.scatter @ weights), 0.0), whole)
        half = float(coverage_factor(level, freedom)) * whole**0.5
        low, high = interval or (middle - half, middle + half)
        return Estimate(
            value=value,
            unit=unit,
            standard_uncertainty=value * whole**0.5,
            from_scatter=value * scatter**0.5,
            from_instruments=value * max(whole - scatter, 0.0) ** 0.5,
            interval=(float(np.exp(low)), float(np.exp(min(high, 600.0)))),
            level=level,
            degrees_of_freedom=freedom,
            method="profile" if interval else "linear",
        )


def spread_of(fitted: Fitted) -> Spread:
    """Uncertainty of a fitted heat path, by cause."""
    unknowns = tuple(fitted.model.errors.unknowns)
    return Spread(
        core=fitted.core,
        total=fitted.covariance,
        sensitivity=fitted.sensitivity,
        instrument=np.array([one.nuisance is not None for one in unknowns], dtype=bool),
        degrees_of_freedom=max(fitted.effective - len(fitted.core) - 1.0, LEAST_FREEDOM),
        unknowns=unknowns,
    )


def intervals(
    fitted: Fitted, spread: Spread, level: float
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Intervals of the logarithms of thermal resistance and time constant, by the profile.

    Parameters
    ----------
    fitted : Fitted
        The best heat path.
    spread : Spread
        Its uncertainty.
    level : float
        Coverage.

    Returns
    -------
    resistance, time_constant : tuple of float
        Logarithms of both ends.
    """
    lag, resistance, gain = _along(fitted, spread, level)
    others = [place for place in range(len(fitted.core)) if place != 1]
    information = np.linalg.inv(fitted.covariance)
    alone = float(np.linalg.inv(information[np.ix_(others, others)])[others.index(0)][0])
    unit = np.eye(len(fitted.core))
    reach = [float(coverage_factor(level, spread.freedom(unit[place]))) ** 2 for place in (0, 1)]
    left = np.sqrt(np.maximum(reach[0] - gain, 0.0) * alone)
    inside = gain <= reach[0]
    low, high = (resistance - left)[inside].min(), (resistance + left)[inside].max()
    root = np.sign(lag - fitted.core[1]) * np.sqrt(gain)
    ends = np.interp([-(reach[1] ** 0.5), reach[1] ** 0.5], root, lag)
    return (float(low), float(high)), (float(ends[0]), float(ends[1]))


def _along(
    fitted: Fitted, spread: Spread, level: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Log time constants in order, best log resistance at each, and what it costs."""
    unit = np.eye(len(fitted.core))
    most = max(float(coverage_factor(level, spread.freedom(unit[place]))) for place in (0, 1))
    step = 0.4 * most * float(spread.total[1, 1]) ** 0.5
    found = [(float(fitted.core[1]), float(fitted.core[0]), 0.0)]
    for sign in (-1.0, 1.0):
        core, cost = fitted.core, 0.0
        for number in range(1, _MOST_STEPS + 1):
            core, cost = along_lag(fitted, core, float(fitted.core[1] + sign * number * step))
            found.append((float(core[1]), float(core[0]), max(cost, 0.0)))
            if cost > most**2:
                break
    lag, resistance, gain = np.array(sorted(found)).T
    fine = np.linspace(lag[0], lag[-1], 401)
    root = np.sign(lag - fitted.core[1]) * np.sqrt(gain)
    root = np.maximum.accumulate(root)  # a profile with a second valley is taken as the first
    return fine, np.interp(fine, lag, resistance), np.interp(fine, lag, root) ** 2
