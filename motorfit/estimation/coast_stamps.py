"""Instants of readings whose stamps repeat."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from motorfit.arrays import FloatArray

REPEATED = "repeated stamp"

#: A clock is coarse where more than this share of the stamps are those of the reading before;
#: fewer are slips of the logger.
_COARSE = 0.3


def told_apart(time: FloatArray, reasons: NDArray[np.object_]) -> FloatArray:
    """Stamps that grow.

    Of equal ones the first counts, the others being late. Where the clock is coarser than the
    logger all count, spread over the time to the next.

    Parameters
    ----------
    time : ndarray, shape (n,)
        As stamped. [s]
    reasons : ndarray of str, shape (n,)
        "" where a reading counts; those that do not are marked in place.

    Returns
    -------
    ndarray, shape (n,)
        [s]
    """
    use = np.flatnonzero(reasons == "")
    if len(use) < 2:
        return time
    stamped = time[use]
    fresh = np.concatenate([[True], np.diff(np.maximum.accumulate(stamped)) > 0.0])
    if np.mean(~fresh) <= _COARSE or fresh.sum() < 2:
        reasons[use[~fresh]] = REPEATED
        return time
    starts = np.flatnonzero(fresh)
    sizes = np.diff(np.concatenate([starts, [len(stamped)]]))
    widths = np.diff(stamped[starts])
    usual = float(np.median(widths))
    widths = np.minimum(np.concatenate([widths, [usual]]), usual)
    within = np.arange(len(stamped)) - np.repeat(starts, sizes)
    spread = np.array(time)
    spread[use] = np.repeat(stamped[starts], sizes) + within * np.repeat(widths / sizes, sizes)
    return spread
