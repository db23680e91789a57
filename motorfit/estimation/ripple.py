"""Ripple in the residuals of a log: lines that stand out of their spectrum.

Its limits are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from motorfit.arrays import FloatArray

#: Slower lines than this many periods in a log cannot be told from its curve.
_FEWEST_PERIODS = 4.0

#: Chance that errors without any line show one.
_CHANCE = 1e-3

_MOST_LINES = 3

#: Frequencies looked at between two that are independent.
_OVERSAMPLING = 4

#: Independent frequencies around a line that tell how strong the others are.
_AROUND = 24

#: Fewer independent frequencies tell nothing.
_FEWEST_FREQUENCIES = 8


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ripple:
    """Lines found in a log, as it shows them: what is faster than its steps looks slower."""

    cycles: tuple[float, ...]  # periods in the span
    span: float  # [s]

    @property
    def periods(self) -> tuple[float, ...]:
        """Of the lines. [s]"""
        return tuple(self.span / cycles for cycles in self.cycles)

    def columns(self, time: FloatArray) -> FloatArray:
        """Cosine and sine of each line, (n, 2 lines)."""
        angle = 2.0 * np.pi * np.outer(time / self.span, self.cycles)
        return np.concatenate([np.cos(angle), np.sin(angle)], axis=1)


def ripple_of(time: FloatArray, design: FloatArray, off: FloatArray) -> Ripple:
    """Find lines that stand out of the residuals of a straight fit.

    Parameters
    ----------
    time : ndarray, shape (n,)
        Growing. [s]
    design : ndarray, shape (n, p)
        Of the fit.
    off : ndarray, shape (n,)
        What it is to meet.

    Returns
    -------
    Ripple
    """
    span = float(time[-1] - time[0]) * len(time) / (len(time) - 1)
    ripple = Ripple(cycles=(), span=span)
    cycles = np.arange(_FEWEST_PERIODS, 0.5 * len(time) + 1e-9, 1.0 / _OVERSAMPLING)
    if len(cycles) < _FEWEST_FREQUENCIES * _OVERSAMPLING:
        return ripple
    waves = _waves(time, cycles, span)
    while len(ripple.cycles) < _MOST_LINES:
        both = np.column_stack([design, ripple.columns(time)])
        both = both / np.linalg.norm(both, axis=0)
        rest = off - both @ np.linalg.lstsq(both, off, rcond=None)[0]
        place = _line(np.abs(waves @ rest) ** 2)
        if place is None:
            break
        fine = cycles[place] + np.linspace(-1.0, 1.0, 41) / _OVERSAMPLING
        power = np.abs(_waves(time, fine, span) @ rest)
        found = float(fine[int(np.argmax(power))])
        ripple = Ripple(cycles=(*ripple.cycles, found), span=span)
    return ripple


def _waves(time: FloatArray, cycles: FloatArray, span: float) -> NDArray[np.complex128]:
    return np.asarray(np.exp(2j * np.pi * np.outer(cycles, time / span)))


def _line(power: FloatArray) -> int | None:
    """The place of the strongest line, where chance does not make one as strong."""
    around = median_filter(power, _AROUND * _OVERSAMPLING + 1, mode="reflect") / np.log(2.0)
    ratio = power / np.maximum(around, 1e-300)
    best = int(np.argmax(ratio))
    return best if ratio[best] > np.log(len(power) / _CHANCE) else None
