"""Temperatures of winding and magnets, row by row, with what is unknown of them."""

from __future__ import annotations

import numpy as np

from motorfit.arrays import BoolArray, FloatArray, IntArray
from motorfit.bench.records import Bench, Run
from motorfit.estimation.register import Register
from motorfit.estimation.rows import Nuisance
from motorfit.instruments import gain_half_width, offset_half_width, range_of


def add_temperatures(
    bench: Bench, run: Run, rows: IntArray, register: Register
) -> tuple[FloatArray, FloatArray]:
    """Temperatures of one run's rows; their errors are registered.

    Parameters
    ----------
    bench : Bench
        For the conditions where a sheet has no column, and the thermometers.
    run : Run
        n readings.
    rows : ndarray of int, shape (n,)
        Where they stand among all rows.
    register : Register
        Receives the errors.

    Returns
    -------
    winding, magnets : ndarray, shape (n,)
        [degC]
    """
    conditions = bench.settings.conditions
    winding = run.get("winding")
    blank = rows[np.isnan(winding)]
    _add_condition("winding", "winding", conditions.winding.half_width, blank, register)
    _add_thermometer(bench, run, "winding", "winding", rows, ~np.isnan(winding), register)

    magnets = run.get("magnets")
    seen = np.where(np.isnan(magnets), run.get("ambient"), magnets)
    stated, condition = conditions.magnets or conditions.ambient, "magnets"
    if stated is None:  # cold machine: as warm as its winding, and as uncertain
        stated, condition = conditions.winding, "winding"
    _add_condition(condition, "magnets", stated.half_width, rows[np.isnan(seen)], register)
    _add_thermometer(bench, run, "magnets", "magnets", rows, ~np.isnan(magnets), register)
    by_room = np.isnan(magnets) & ~np.isnan(seen)
    _add_thermometer(bench, run, "ambient", "magnets", rows, by_room, register)
    return (
        np.where(np.isnan(winding), conditions.winding.value, winding),
        np.where(np.isnan(seen), stated.value, seen),
    )


def _add_condition(
    quantity: str, where: str, half_width: float, rows: IntArray, register: Register
) -> None:
    nuisance = Nuisance.rectangular(quantity, "temperature", half_width, unit="K")
    register.add(nuisance, ("condition", quantity), where, rows)


def _add_thermometer(
    bench: Bench,
    run: Run,
    quantity: str,
    where: str,
    rows: IntArray,
    there: BoolArray,
    register: Register,
) -> None:
    """The thermometer's error at the warmest reading: one shift of all of them."""
    if not there.any():
        return
    meter = run.meters.get(quantity, "")
    thermometer = bench.instrument(quantity, meter)
    shown = run.get(quantity)[there]
    step, _ = range_of(shown, thermometer, run.written_step.get(quantity, 0.0))
    warmest = gain_half_width(thermometer) * np.abs(shown) + offset_half_width(thermometer, step)
    nuisance = Nuisance.rectangular(
        quantity, "temperature", float(np.max(warmest)), id=thermometer.id, unit="K"
    )
    register.add(nuisance, ("thermometer", quantity, meter), where, rows[there])
