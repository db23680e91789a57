"""The slope of the equations' sum of squares, for many benches at once."""

from __future__ import annotations

from copy import copy

import numpy as np

from motorfit.arrays import FloatArray, IntArray
from motorfit.estimation.conditions import BrushedConditions


class SquaresSlope:
    """Slope of half the whitened sum of squares of all condition equations.

    Rows that have the same equations are taken together, so that nothing is worked out for
    an equation that is absent. A row may count for nothing.

    Parameters
    ----------
    conditions : BrushedConditions
        Of a bench.
    theta : ndarray, shape (p + r,)
        Where the friction that wanders from row to row has the size that it is held at.
    scales : ndarray
        Scales of scatter.
    """

    def __init__(
        self, conditions: BrushedConditions, theta: FloatArray, scales: FloatArray
    ) -> None:
        has = conditions.present
        self.parts = [
            _Part(conditions.part(rows), rows, equations, theta, scales)
            for equations in ((0,), (1,), (0, 1))
            for rows in [np.flatnonzero((has == [0 in equations, 1 in equations]).all(axis=1))]
            if len(rows)
        ]

    def varied(self, shift: FloatArray, weight: FloatArray | None) -> SquaresSlope:
        """B benches that showed ``shift`` (B, n, 4) more, and whose rows count so many times."""
        other = copy(self)
        other.parts = [part.varied(shift, weight) for part in self.parts]
        return other

    def at(self, theta: FloatArray) -> FloatArray:
        """At ``theta`` (..., p + r), one set of parameters for each bench."""
        slope = np.zeros_like(theta)
        for part in self.parts:
            part.add(theta, slope)
        return slope


class _Part:
    """Rows that have the same equations, and all about them that theta does not move."""

    def __init__(
        self,
        conditions: BrushedConditions,
        rows: IntArray,
        equations: tuple[int, ...],
        theta: FloatArray,
        scales: FloatArray,
    ) -> None:
        self.conditions, self.rows, self.equations = conditions, rows, equations
        self.theta, self.scales = theta, scales
        self.count = 1.0 if (conditions.weight == 1.0).all() else conditions.weight
        self.variance = np.ascontiguousarray(conditions.reading_variance(scales).T)
        self.own = conditions.friction_variance(theta, scales)

    def varied(self, shift: FloatArray, weight: FloatArray | None) -> _Part:
        """These rows of `SquaresSlope.varied`."""
        other = copy(self)
        other.conditions = self.conditions.shifted(shift[..., self.rows, :])
        other.own = other.conditions.friction_variance(self.theta, self.scales)
        if weight is not None:
            other.count = self.count * weight[..., self.rows]
        return other

    def add(self, theta: FloatArray, slope: FloatArray) -> None:
        """Add the slope of these rows."""
        conditions = self.conditions
        at = conditions.at(theta, equations=self.equations)
        backwards = at.backwards(self.variance, self.own, self.count)
        for place, index in enumerate(conditions.free):
            if index in backwards.machine:
                slope[..., place] += backwards.machine[index]
        slope[..., len(conditions.free) :] += conditions.shares.gathered(backwards.errors)
