"""Time as a logger writes it: it may start anywhere and repeat, and never runs backwards."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from motorfit.arrays import FloatArray, IntArray
from motorfit.errors import LocatedError
from motorfit.quantities import Header


def steps_back(time: FloatArray, decimals: int, largest: float = 0.0) -> IntArray:
    """Find readings whose time is before that of the reading above them.

    Parameters
    ----------
    time : ndarray, shape (n,)
        In the unit of the header; NaN is passed over.
    decimals : int
        The finest decimal place written: less than half of it is rounding.
    largest : float, optional
        Size of the stamps before a constant was taken from them, whose last digit a
        double does not hold.

    Returns
    -------
    ndarray of int
        Places of the later readings of each pair.

    Examples
    --------
    >>> steps_back(np.array([0.0, 0.2, 0.1, 0.3]), 1)
    array([2])
    """
    places = np.flatnonzero(np.isfinite(time))
    known = time[places]
    if not len(known):
        return places
    largest = max(largest, float(np.abs(known).max()))
    rounding = max(0.5 * 10.0**-decimals, 4 * np.spacing(largest))
    back: IntArray = places[1:][np.diff(known) < -rounding]
    return back


def ran_backwards(
    path: Path, row: int, header: Header, *, before: float, time: float, decimals: int
) -> LocatedError:
    """Say where the clock went back, with both stamps as they stand in the sheet."""
    unit = f" {header.unit}" if header.unit else ""
    stamp, earlier = (f"{value:.{max(decimals, 0)}f}{unit}" for value in (time, before))
    return LocatedError(
        path=path,
        row=row,
        column=header.text,
        found=f"time {stamp} after {earlier}",
        expected="times that do not run backwards",
        remedy="Keep one run in a file, its rows in the order in which they were taken; where the "
        "clock was set back, or started again at midnight, add what is missing.",
    )
