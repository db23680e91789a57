r"""What is known of the size of a scatter before any reading was taken.

In the log variance t relative to the usual size, with a weight of :math:`\nu` readings,
either

.. math:: -\tfrac{\nu}{2} (t + e^{-t}) \qquad \text{or} \qquad -\tfrac{\nu}{4} t^2

up to constants: the inverse chi-square density, as if :math:`\nu` residuals of the usual
size had been seen, or the normal one of the same information. The second lets a scatter be
far smaller than usual as easily as larger: a good meter repeats ten times better than a
plain one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from motorfit.arrays import BoolArray, FloatArray

#: How many readings the prior of a scatter is worth, where nothing else is said. Two leave
#: the choice to the residuals of any real bench, and keep three readings from claiming
#: perfect repeats.
PRIOR_READINGS = 2.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ScalePrior:
    """Prior of c variance components."""

    readings: FloatArray  # nu, (c,)
    even: BoolArray  # (c,) normal in the log variance

    @classmethod
    def worth(cls, readings: float, count: int) -> ScalePrior:
        """Inverse chi-square of this many readings, for ``count`` components."""
        return cls(readings=np.full(count, readings), even=np.zeros(count, dtype=bool))

    @property
    def information(self) -> FloatArray:
        """Of each log variance, (c,)."""
        return 0.5 * self.readings

    def log_density(self, log_variance: FloatArray) -> FloatArray:
        """Up to a constant, of (..., c) log variances, (...)."""
        t = log_variance
        with np.errstate(over="ignore"):
            each = np.where(self.even, 0.5 * t**2, t + np.exp(-t))
        return np.asarray(-np.sum(self.information * each, axis=-1))

    def slope(self, log_variance: FloatArray) -> FloatArray:
        """Slope of the log density, (c,)."""
        t = log_variance
        return np.asarray(self.information * np.where(self.even, -t, np.exp(-t) - 1.0))

    def steepness(self, log_variance: FloatArray) -> FloatArray:
        """By how much the curvature exceeds the information, (c,), where it does."""
        steep = np.where(self.even, 0.0, np.exp(-log_variance) - 1.0)
        return np.asarray(self.information * np.maximum(steep, 0.0))
