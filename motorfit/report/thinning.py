"""Long logs as few points, for figures and for programs that draw."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from motorfit.arrays import FloatArray, IntArray

#: Points of a drawn log: more cannot be told apart.
MOST_DRAWN = 300


@dataclass(frozen=True, slots=True, eq=False)
class Thinned:
    """A log as it is drawn: means of neighbours, with the least and largest of each."""

    x: FloatArray  # (m,)
    y: FloatArray
    low: FloatArray
    high: FloatArray
    each: int  # neighbours in a mean; 1 where every reading is drawn


def thinned(x: FloatArray, y: FloatArray, most: int = MOST_DRAWN) -> Thinned:
    """Reduce a log to what a figure can show.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        In order.
    most : int
        Points at the most.

    Returns
    -------
    Thinned

    Examples
    --------
    >>> found = thinned(np.arange(4.0), np.array([0.0, 2.0, 4.0, 8.0]), most=2)
    >>> found.y, found.high, found.each
    (array([1., 6.]), array([2., 8.]), 2)
    """
    each = max(1, -(-len(x) // most))
    if each == 1:
        return Thinned(x, y, y, y, 1)
    starts = np.arange(0, len(x), each)
    sizes = np.diff(np.append(starts, len(x)))
    return Thinned(
        np.add.reduceat(x, starts) / sizes,
        np.add.reduceat(y, starts) / sizes,
        np.minimum.reduceat(y, starts),
        np.maximum.reduceat(y, starts),
        each,
    )


def some_of(count: int, most: int) -> IntArray:
    """Places of so many of ``count`` readings at the most, evenly spread."""
    return np.unique(np.linspace(0, count - 1, min(count, most)).round().astype(np.int64))
