"""Volts over amps of known resistors: a check of the meters that needs no machine."""

from __future__ import annotations

import numpy as np

from motorfit.arrays import BoolArray
from motorfit.bench.records import Run

#: Volts over amps of one resistor that jump by so many standard deviations, and by so much
#: relatively, tell that it was a meter.
_JUMP, _LARGE_JUMP = 5.0, 0.02

#: A step that the resistors' own means take up.
_HARDLY = 0.1


def resistors_jump(run: Run) -> BoolArray:
    """From which rows on volts over amps of the same resistors are others than before.

    Parameters
    ----------
    run : Run
        A load test.

    Returns
    -------
    ndarray of bool, shape (n,)
        False throughout where no ammeter was read beside resistors of known value.
    """
    none = np.zeros(len(run), dtype=bool)
    if not {"voltage", "current", "load"} <= run.readings.keys():
        return none
    voltage, current, load = (np.abs(run.get(name)) for name in ("voltage", "current", "load"))
    good = (voltage > 0) & (current > 0) & np.isfinite(load)
    levels = np.unique(load[good])
    freedom = int(np.sum(good)) - len(levels) - 1
    if freedom < 2:
        return none
    same = (load[good][:, None] == levels).astype(float)
    own = same @ (same.T / np.sum(same, axis=0)[:, None])  # mean of each resistor
    ratio = np.log(voltage[good] / current[good])
    ratio = ratio - own @ ratio
    steps = np.tril(np.ones((len(run), len(run))))[good]  # column j: one from row j on
    steps = steps - own @ steps
    square = np.maximum(np.sum(steps**2, axis=0), 1e-9)
    size = steps.T @ ratio / square
    rest = np.maximum(np.sum(ratio**2) - size**2 * square, 1e-12)
    deviation = np.sqrt(rest / freedom / square)
    return np.asarray(
        (np.abs(size) > np.maximum(_LARGE_JUMP, _JUMP * deviation)) & (square > _HARDLY)
    )


def resistor_ratio(run: Run, place: int) -> float | None:
    """Volts over amps of the other rows with the same resistor; none where it is alone."""
    if not {"voltage", "current", "load"} <= run.readings.keys():
        return None
    voltage, current, load = (run.get(name) for name in ("voltage", "current", "load"))
    same = (load == load[place]) & (np.abs(current) > 0)
    same[place] = False
    if not same.any() or not abs(current[place]) > 0 or not abs(voltage[place]) > 0:
        return None
    return float(np.median(np.abs(voltage[same] / current[same])))
