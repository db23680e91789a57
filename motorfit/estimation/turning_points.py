"""Peaks of a course of readings that stand out by so much.

The same as `scipy.signal.find_peaks`, whose package takes longer to import than a log takes to
fit.
"""

from __future__ import annotations

import numpy as np

from motorfit.arrays import FloatArray


def prominent_peaks(course: FloatArray, prominence: float) -> list[int]:
    """Places of the peaks of a course; those at its ends count.

    Parameters
    ----------
    course : ndarray, shape (n,)
        Finite values in order.
    prominence : float, positive
        A peak has values lower by this on both sides before a higher one, or the end.

    Returns
    -------
    list of int
        Ascending; the middle of values that are equal.

    Examples
    --------
    >>> prominent_peaks(np.array([0.0, 5.0, 4.9, 5.0, 1.0, 3.0, 3.0, 3.0]), 1.0)
    [1, 3, 6]
    """
    first = np.flatnonzero(np.diff(course, prepend=np.nan) != 0)
    last = np.append(first[1:], len(course)) - 1
    below = course.min() - prominence  # what lies beyond the ends
    levels = np.concatenate([[below], course[first], [below]])
    base = np.maximum(_least_since_higher(levels), _least_since_higher(levels[::-1])[::-1])
    peak = (levels[1:-1] > levels[:-2]) & (levels[1:-1] > levels[2:])
    peak &= (levels - base)[1:-1] >= prominence
    return [int(place) for place in (first[peak] + last[peak]) // 2]


def _least_since_higher(values: FloatArray) -> FloatArray:
    """The least from the last higher value, or the start, up to each one, (n,)."""
    higher: list[tuple[float, float]] = []  # values that may yet be the last higher one
    least = []
    for value in values.tolist():
        low = value
        while higher and higher[-1][0] <= value:
            low = min(low, higher.pop()[1])
        higher.append((value, low))
        least.append(low)
    return np.array(least)
