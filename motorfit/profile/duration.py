"""How long something lasts, which may be for ever."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from motorfit.arrays import BoolArray, FloatArray
from motorfit.estimate import coverage_factor
from motorfit.profile.known import Known
from motorfit.profile.prediction import Prediction
from motorfit.profile.propagation import through

if TYPE_CHECKING:
    from motorfit.profile.model import MachineProfile

#: Nothing is told to last less than this. [s]
_SHORTEST = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Duration(Prediction):
    """A time, infinite where it never ends, with an interval that may reach there.

    What is propagated is its reciprocal, which is zero for what never ends.
    """

    rate: FloatArray  # one over the time [1/s]
    rate_uncertainty: FloatArray  # standard [1/s]

    def interval(self, level: float = 0.95) -> tuple[FloatArray, FloatArray]:
        """Lower and upper end of the interval that covers with probability ``level``.

        Parameters
        ----------
        level : float
            Between 0 and 1.

        Returns
        -------
        low, high : ndarray
            From the interval of the rate; the upper end is infinite where the rate may be
            zero. [s]

        Raises
        ------
        ValueError
            If ``level`` is not between 0 and 1.
        """
        if not 0 < level < 1:
            raise ValueError(f"level must be between 0 and 1, found {level!r}")
        half = coverage_factor(level, self.degrees_of_freedom) * self.rate_uncertainty
        return _time(self.rate + half), _time(self.rate - half)


def duration(
    profile: MachineProfile,
    known: Known,
    dimensions: int,
    time: Callable[[dict[str, FloatArray]], FloatArray],
    *,
    extrapolated: BoolArray,
    assumed: tuple[str, ...] = (),
) -> Duration:
    """The duration that a formula gives, with its uncertainty.

    Parameters
    ----------
    profile : MachineProfile
        What is known.
    known : Known
        The fields that the formula is given.
    dimensions : int
        Of the points.
    time : callable
        From fields, each with a leading axis of variations, to times, some infinite. [s]
    extrapolated : ndarray of bool
        Which points lie outside what was tested.
    assumed : tuple of str
        What it rests on and nobody measured.

    Returns
    -------
    Duration
    """

    def rate_of(fields: dict[str, FloatArray]) -> FloatArray:
        return np.asarray(1.0 / np.maximum(time(fields), _SHORTEST))

    rate, uncertainty, freedom = through(profile, known, dimensions, rate_of)
    value = _time(rate)
    return Duration(
        value=value,
        standard_uncertainty=np.where(
            rate > 0,
            uncertainty * np.where(rate > 0, value, 0) ** 2,
            np.where(rate == 0, np.inf, np.nan),
        ),
        degrees_of_freedom=freedom,
        extrapolated=np.asarray(np.broadcast_to(extrapolated, value.shape)),
        unit="s",
        bounds=(0.0, np.inf),
        assumed=assumed,
        rate=rate,
        rate_uncertainty=uncertainty,
    )


def _time(rate: FloatArray) -> FloatArray:
    endless = np.where(np.isnan(rate), np.nan, np.inf)
    time = np.divide(1.0, rate, out=endless, where=rate > 0)
    return np.asarray(np.where(time <= _SHORTEST * (1 + 1e-9), 0.0, time))
