"""Gain and offset of an instrument as unknown errors of the rows that it read."""

from __future__ import annotations

from typing import Literal

import numpy as np

from motorfit.arrays import FloatArray, IntArray
from motorfit.bench.records import Run
from motorfit.estimation.register import Register
from motorfit.estimation.rows import TORQUE, Nuisance
from motorfit.instruments import calibrated, gain_half_width, offset_half_width, range_of
from motorfit.meter import Instrument


def instrument_error(
    instrument: Instrument,
    error: Literal["gain", "offset"],
    half_width: float,
    label: str = "",
    unit: str = "1",
) -> Nuisance:
    """One unknown error of an instrument, in its range of that label."""
    return Nuisance.rectangular(
        instrument.quantity, error, half_width, id=instrument.id, range=label, unit=unit
    )


def add_meter_errors(
    register: Register,
    instrument: Instrument,
    meter: str,
    rows: IntArray,
    *,
    label: str,
    step: FloatArray,
    axis: int,
    per_unit: FloatArray,
    unit: str,
) -> None:
    """Let the gain and the offset of one range of a meter act on what it read.

    Parameters
    ----------
    register : Register
        Receives the errors.
    instrument : Instrument
        The meter.
    meter : str
        Its name among those of its quantity.
    rows : ndarray of int, shape (n,)
        Places of the readings among all rows.
    label : str
        Of the range.
    step : ndarray, shape (n,)
        One digit at each reading, in the meter's unit in SI.
    axis : int
        What the readings are of: VOLTAGE, SPEED, CURRENT, TORQUE.
    per_unit : ndarray, shape (n,)
        What the rows hold per unit of what the meter shows: 1, or the arm of a force.
    unit : str
        Of the offset.
    """
    offset = float(np.max(offset_half_width(instrument, step)))
    for nuisance, coefficient in (
        (instrument_error(instrument, "gain", gain_half_width(instrument), label), 1.0),
        (instrument_error(instrument, "offset", offset, label, unit), per_unit),
    ):
        register.add(
            nuisance,
            (instrument.quantity, meter, label, nuisance.error),
            nuisance.error,
            rows,
            quantity=axis,
            coefficient=coefficient,
        )


def add_arm_errors(
    register: Register, ruler: Instrument, run: Run, chosen: IntArray, rows: IntArray
) -> None:
    """Let what a ruler may be off act as a gain of the torques that its arms make of forces.

    Parameters
    ----------
    register : Register
        Receives the errors.
    ruler : Instrument
        What the arms were measured with.
    run : Run
        Readings with a column ``arm``.
    chosen : ndarray of int, shape (n,)
        Readings of the run that have a torque.
    rows : ndarray of int, shape (n,)
        Their places among all rows.
    """
    written, meter = run.get("arm"), run.meters.get("arm", "")
    arm = calibrated(written, ruler)
    step, _ = range_of(written, ruler, run.written_step.get("arm", 0.0))
    offset = float(np.nanmax(offset_half_width(ruler, step), initial=0.0))
    reach = np.divide(1.0, arm, out=np.zeros_like(arm), where=arm != 0)
    for nuisance, per_unit in (
        (instrument_error(ruler, "gain", gain_half_width(ruler)), np.ones_like(arm)),
        (instrument_error(ruler, "offset", offset, unit="m"), reach),
    ):
        register.add(
            nuisance,
            ("arm", meter, nuisance.error),
            "gain",
            rows,
            quantity=TORQUE,
            coefficient=per_unit[chosen],
        )
