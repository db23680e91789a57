r"""Newton's method for many minima at once: curvature from the steps themselves, and bounds.

The inverse of each information begins as a common one and is corrected by the steps taken
so far and the changes of slope that they brought (BFGS), kept as pairs of vectors.

References
----------
.. [1] J. Nocedal, Math. Comp. 35 (1980) 773: the product of that inverse with a vector in
   two loops over the pairs.
.. [2] M. Hintermueller, K. Ito and K. Kunisch, SIAM J. Optim. 13 (2002) 865: the active
   set as a Newton method, for the quadratic model within the bounds.
"""

from __future__ import annotations

import numpy as np

from motorfit.arrays import BoolArray, FloatArray, IntArray

#: A slope that grows less along a step, relative to what the bench itself would have it
#: grow, is rounding or a hill.
_LEAST_CURVATURE = 1e-6


class Secants:
    """Inverse of the information of each resample, as the steps taken so far show it.

    Parameters
    ----------
    covariance : ndarray, shape (p, p) or (B, p, p)
        The inverse to begin with.
    deviation : ndarray, shape (p,)
        Size of the parameters.
    """

    def __init__(self, covariance: FloatArray, deviation: FloatArray) -> None:
        self.covariance, self.deviation = covariance, deviation
        self.stretch: FloatArray | float = 1.0  # of the parameters against the covariance's
        self.steps: list[FloatArray] = []
        self.changes: list[FloatArray] = []
        self.inverses: list[FloatArray] = []

    def add(self, step: FloatArray, change: FloatArray) -> None:
        """By how much the slopes (B, p) changed along the steps (B, p)."""
        along = np.vecdot(step, change)
        # where the slope does not grow along the step, there is nothing to learn from it
        least = _LEAST_CURVATURE * np.sum((step / self.deviation) ** 2, axis=1)
        known = along > least
        self.steps.append(step)
        self.changes.append(change)
        self.inverses.append(np.where(known, 1.0 / np.where(known, along, 1.0), 0.0))

    def chosen(self, which: IntArray | BoolArray) -> Secants:
        """Those of some resamples."""
        shared = self.covariance.ndim == 2
        other = Secants(self.covariance if shared else self.covariance[which], self.deviation)
        other.stretch = self.stretch if isinstance(self.stretch, float) else self.stretch[which]
        other.steps = [step[which] for step in self.steps]
        other.changes = [change[which] for change in self.changes]
        other.inverses = [inverse[which] for inverse in self.inverses]
        return other

    def solve(self, slope: FloatArray) -> FloatArray:
        """Product with the slopes (B, p): two loops over the steps."""
        pairs = list(zip(self.steps, self.changes, self.inverses, strict=True))
        parts = []
        for step, change, inverse in reversed(pairs):
            part = inverse * np.vecdot(step, slope)
            slope = slope - part[:, None] * change
            parts.append(part)
        shared = self.covariance.ndim == 2
        slope = self.stretch * slope
        found = slope @ self.covariance if shared else times_each(self.covariance, slope)
        found = self.stretch * found
        for (step, change, inverse), part in zip(pairs, reversed(parts), strict=True):
            found = found + (part - inverse * np.vecdot(change, found))[:, None] * step
        return found

    def within(self, theta: FloatArray, lower: FloatArray) -> FloatArray:
        """The nearest points within the bounds, in the metric of the information.

        There the quadratic model has its least value, if without bounds it has it at
        ``theta`` (B, p).
        """
        bound = np.flatnonzero(np.isfinite(lower))
        low, deviation = lower[bound], self.deviation[bound]
        beyond = np.flatnonzero((theta[:, bound] < low).any(axis=1))
        if not len(beyond):
            return theta
        start = theta[beyond]
        along = self._columns(beyond, bound) / deviation
        square = along[:, bound] / deviation[:, None]
        gap = (low - start[:, bound]) / deviation
        held = gap > 0
        for _ in range(3 * len(bound)):
            both = held[:, :, None] & held[:, None, :]
            matrix = np.where(both, square, np.eye(len(bound)))
            force = np.linalg.solve(matrix, np.where(held, gap, 0.0)[..., None])[..., 0]
            moved = start + times_each(along, force)
            wanted = np.where(held, force > 0, moved[:, bound] < low)
            if np.array_equal(wanted, held):
                break
            held = wanted
        moved[:, bound] = np.where(held, low, np.maximum(moved[:, bound], low))
        theta = theta.copy()
        theta[beyond] = moved
        return theta

    def _columns(self, which: IntArray, by: IntArray) -> FloatArray:
        """Some columns (b, p, k) for some of the resamples."""
        chosen, units = self.chosen(which), np.eye(len(self.deviation))[by]
        return np.stack([chosen.solve(np.tile(unit, (len(which), 1))) for unit in units], axis=-1)


def times_each(matrices: FloatArray, vectors: FloatArray) -> FloatArray:
    """Product of each matrix with its vector."""
    return np.asarray((matrices @ vectors[..., None])[..., 0])
