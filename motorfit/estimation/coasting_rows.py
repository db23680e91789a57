"""Rows of the torque equation of a coasting machine: the rates of its logs."""

from __future__ import annotations

import numpy as np

from motorfit.arrays import IntArray
from motorfit.bench.records import Rates, Run
from motorfit.estimation.circuit_rows import add_current, add_speed, add_voltage
from motorfit.estimation.instrument_errors import instrument_error
from motorfit.estimation.row_columns import RowColumns
from motorfit.estimation.rows import (
    RATE_OF_SPEED,
    RATE_OF_VOLTAGE,
    STATED_INERTIA,
    TORQUE,
    Nuisance,
)
from motorfit.instruments import gain_half_width
from motorfit.quantities import Stated

#: Errors of the rates of one log; no instrument's.
LOG_NOISE = "noise of a log"

_TORQUE_FROM = {
    "speed": RATE_OF_SPEED,
    "voltage": RATE_OF_VOLTAGE,
    "inertia": STATED_INERTIA,
}


def add_coasting(columns: RowColumns, run: Run, rates: Rates, rows: IntArray) -> None:
    """Fill in rates: the torque that slows the rotor is an inertia times one of them.

    Parameters
    ----------
    columns : RowColumns
        Receives them.
    run : Run
        n values of a log at which its rates are known, or what is stated of the inertia.
    rates : Rates
        Its rates.
    rows : ndarray of int, shape (n,)
        Places of the run among all rows.
    """
    columns.present[rows, 1] = True
    columns.torque_from[rows] = _TORQUE_FROM[rates.quantity]
    columns.shown[rows, TORQUE], columns.rounding[rows, TORQUE] = rates.value, rates.own
    _add_noise(columns, run, rates, rows)
    if rates.quantity == "inertia":
        return
    _add_clock(columns, run, rows)
    for quantity, add in (("voltage", add_voltage), ("speed", add_speed)):
        if quantity in run.readings:
            add(columns, run, rows)
    if "current" in run.readings or "load" in run.readings:
        add_current(columns, run, rows)
    connected = columns.metered[rows] | np.isfinite(columns.load[rows])
    columns.present[rows, 0] = ("voltage" in run.readings) | connected
    if run.added_inertia is not None:
        _add_inertia(columns, run.added_inertia, run, rows)


def _add_noise(columns: RowColumns, run: Run, rates: Rates, rows: IntArray) -> None:
    """What the rates of one log share."""
    noise = Nuisance(quantity=LOG_NOISE, error="effect", deviation=1.0, shape="normal")
    for number, part in enumerate(rates.shared.T):
        key = (LOG_NOISE, run.source.name, number)
        columns.register.add(noise, key, "offset", rows, quantity=TORQUE, coefficient=part)


def _add_clock(columns: RowColumns, run: Run, rows: IntArray) -> None:
    """A clock that is fast makes every rate too small."""
    meter = run.meters.get("time", "")
    clock = columns.bench.instrument("time", meter)
    gain = instrument_error(clock, "gain", gain_half_width(clock))
    key = ("time", meter)
    columns.register.add(gain, key, "gain", rows, quantity=TORQUE, coefficient=-1.0)


def _add_inertia(columns: RowColumns, added: Stated, run: Run, rows: IntArray) -> None:
    """What was put on the shaft."""
    columns.added_inertia[rows] = added.value
    error = Nuisance.rectangular("added inertia", "gain", added.half_width / added.value)
    columns.register.add(error, ("added inertia", run.source.name), "inertia", rows)
