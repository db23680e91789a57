"""Rows of the voltage equation: voltage, speed, and current or the resistor that gives it."""

from __future__ import annotations

import numpy as np

from motorfit.arrays import BoolArray, IntArray
from motorfit.bench.records import Run
from motorfit.estimation.row_columns import RowColumns
from motorfit.estimation.rows import CURRENT, SPEED, VOLTAGE, Nuisance
from motorfit.instruments import calibrated, gain_half_width, offset_half_width, range_of


def add_voltage(columns: RowColumns, run: Run, rows: IntArray) -> None:
    """Fill in the voltages of a run, and what the voltmeter draws.

    Parameters
    ----------
    columns : RowColumns
        Receives them.
    run : Run
        n readings.
    rows : ndarray of int, shape (n,)
        Places of the run among all rows.
    """
    columns.read(run, "voltage", VOLTAGE, rows)
    voltmeter = columns.bench.instrument("voltage", run.meters.get("voltage", ""))
    if voltmeter.input_resistance:
        columns.conductance[rows] = 1.0 / voltmeter.input_resistance


def add_speed(columns: RowColumns, run: Run, rows: IntArray) -> None:
    """Fill in the speeds of a run; parameters as for `add_voltage`."""
    columns.read(run, "speed", SPEED, rows)


def add_current(columns: RowColumns, run: Run, rows: IntArray) -> None:
    """Fill in currents, and resistors where no current was read; as for `add_voltage`."""
    there = np.zeros(len(run), dtype=bool)
    if "current" in run.readings:
        there = columns.read(run, "current", CURRENT, rows)
        columns.metered[rows[there]] = True
    if "load" not in run.readings:
        return
    if "current" in run.readings:  # the ammeter stays in the circuit
        ammeter = columns.bench.instrument("current", run.meters.get("current", ""))
        columns.load_extra[rows[~there]] = ammeter.burden
    _add_resistors(columns, run, rows, ~there & ~np.isnan(run.get("load")))


def _add_resistors(columns: RowColumns, run: Run, rows: IntArray, chosen: BoolArray) -> None:
    """Resistors that give the current of the chosen rows, each with an error of its own."""
    ohmmeter = columns.bench.instrument("load", run.meters.get("load", ""))
    written = run.get("load")
    columns.load[rows[chosen]] = calibrated(written, ohmmeter)[chosen]
    step, _ = range_of(written, ohmmeter, run.written_step.get("load", 0.0))
    offset = offset_half_width(ohmmeter, step)
    for value in dict.fromkeys(written[chosen]):
        same = chosen & (written == value)
        half_width = gain_half_width(ohmmeter) + float(offset[same][0]) / value
        nuisance = Nuisance.rectangular("load", "gain", half_width, id=f"{value:.4g} ohm")
        columns.register.add(nuisance, ("load", value), "load", rows[same])
