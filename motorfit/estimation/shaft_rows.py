"""Rows of the torque equation at a steady speed: a free shaft, or a torque that was read."""

from __future__ import annotations

import numpy as np

from motorfit.arrays import BoolArray, IntArray
from motorfit.bench.records import Run
from motorfit.estimation.drive_power import add_drive_torque, torque_from_drive_power
from motorfit.estimation.instrument_errors import add_arm_errors
from motorfit.estimation.row_columns import RowColumns
from motorfit.estimation.rows import TORQUE
from motorfit.instruments import calibrated


def add_shaft_torque(columns: RowColumns, run: Run, rows: IntArray) -> None:
    """Fill in what is known of the torque at the shaft.

    Parameters
    ----------
    columns : RowColumns
        Receives it.
    run : Run
        n readings.
    rows : ndarray of int, shape (n,)
        Places of the run among all rows.
    """
    if run.kind == "no-load-motor":
        columns.present[rows, 1] = True  # shaft free: no torque, and no meter for it
        return
    there = np.zeros(len(run), dtype=bool)
    if "torque" in run.readings:
        there = columns.read(run, "torque", TORQUE, rows)
    elif "force" in run.readings and "arm" in run.readings:
        there = _add_force(columns, run, rows)
    there = there | _add_drive_power(columns, run, rows, ~there)
    columns.present[rows[there], 1] = True


def _add_force(columns: RowColumns, run: Run, rows: IntArray) -> BoolArray:
    """A force at an arm."""
    ruler = columns.bench.instrument("arm", run.meters.get("arm", ""))
    arm = calibrated(run.get("arm"), ruler)
    there = columns.read(run, "force", TORQUE, rows, arm)
    add_arm_errors(columns.register, ruler, run, np.flatnonzero(there), rows[there])
    return there


def _add_drive_power(
    columns: RowColumns, run: Run, rows: IntArray, lacking: BoolArray
) -> BoolArray:
    """The torque that the drive's power tells, in rows that have no other."""
    found = torque_from_drive_power(columns.bench, run)
    if found is None:
        return np.zeros_like(lacking)
    chosen = lacking & np.isfinite(found.torque)
    sign = -1.0 if run.test.generating else 1.0
    columns.shown[rows[chosen], TORQUE] = sign * found.torque[chosen]
    columns.rounding[rows[chosen], TORQUE] = found.rounding[chosen]
    usual = np.sqrt(found.rounding + found.repeatability**2)
    columns.usual[rows[chosen], TORQUE] = usual[chosen]
    add_drive_torque(found, chosen, rows, columns.register, sign=sign)
    return chosen
