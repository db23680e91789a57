"""Ripple in the residuals of a log: lines that stand out of their spectrum."""

from __future__ import annotations

import numpy as np
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


def ripple_columns(
    time: FloatArray, design: FloatArray, off: FloatArray
) -> tuple[FloatArray, tuple[float, ...]]:
    """Cosine and sine of each line that stands out of the residuals of a straight fit.

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
    columns : ndarray, shape (n, 2 lines)
    periods : tuple of float
        Of the lines, as the log shows them. [s]
    """
    columns = np.empty((len(time), 0))
    periods: list[float] = []
    span = (time[-1] - time[0]) * len(time) / (len(time) - 1)
    highest = 0.5 * len(time)
    cycles = np.arange(_FEWEST_PERIODS, highest + 1e-9, 1.0 / _OVERSAMPLING)
    if len(cycles) < 8 * _OVERSAMPLING:
        return columns, ()
    phase = 2j * np.pi * (time - time[0]) / span
    waves = np.exp(cycles[:, None] * phase)
    for _ in range(_MOST_LINES):
        both = np.column_stack([design, columns])
        both = both / np.linalg.norm(both, axis=0)
        rest = off - both @ np.linalg.lstsq(both, off, rcond=None)[0]
        found = _line(rest, cycles, waves, phase)
        if found is None:
            break
        wave = np.exp(found * phase)
        columns = np.column_stack([columns, wave.real, wave.imag])
        periods.append(float(span / found))
    return columns, tuple(periods)


def _line(
    rest: FloatArray, cycles: FloatArray, waves: np.ndarray, phase: np.ndarray
) -> float | None:
    """The strongest line, in periods a log, where chance does not make one as strong."""
    power = np.abs(waves @ rest) ** 2
    around = median_filter(power, _AROUND * _OVERSAMPLING + 1, mode="reflect") / np.log(2.0)
    ratio = power / np.maximum(around, 1e-300)
    best = int(np.argmax(ratio))
    if ratio[best] < np.log(len(cycles) / _CHANCE):
        return None
    fine = cycles[best] + np.linspace(-1.0, 1.0, 41) / _OVERSAMPLING
    finest = np.abs(np.exp(fine[:, None] * phase) @ rest) ** 2
    return float(fine[int(np.argmax(finest))])
