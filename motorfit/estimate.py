"""A number with its uncertainty, and how it came to be known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from motorfit.arrays import FloatArray

Standing = Literal["measured", "combined", "assumed", "unmeasured"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A measured number: value, uncertainty and its parts, interval, method.

    Uncertainties are standard uncertainties in ``unit`` (JCGM 100).
    """

    value: float
    unit: str  # UCUM code
    standard_uncertainty: float
    from_scatter: float  # the part that more readings would shrink
    from_instruments: float  # the part that only better instruments would shrink
    interval: tuple[float, float]
    level: float  # coverage of the interval, 0.95 for 95 %
    degrees_of_freedom: float  # effective; infinite where instruments decide
    method: str  # of its interval: "linear", "profile", "bootstrap", "monte-carlo"
    standing: Standing = "measured"


@dataclass(frozen=True, slots=True, kw_only=True)
class NotKnown:
    """A parameter that the readings do not give, and what would."""

    unit: str  # UCUM code
    standing: Standing
    needs: str  # "no-load-motor at a second voltage"


def coverage_factor(level: float, degrees_of_freedom: ArrayLike) -> FloatArray:
    """Student's quantile for a two-sided interval (JCGM 100, G.3 and table G.2).

    Parameters
    ----------
    level : float
        Coverage, 0.95 for 95 %.
    degrees_of_freedom : array_like
        Effective; may be infinite.

    Returns
    -------
    ndarray, as ``degrees_of_freedom``

    Examples
    --------
    >>> round(coverage_factor(0.95, 10).item(), 2)
    2.23
    """
    from scipy.special import stdtrit

    return np.asarray(stdtrit(np.asarray(degrees_of_freedom, float), 0.5 + 0.5 * level), float)
