"""Arrays of a bench's rows while they are filled in, run by run."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from motorfit.arrays import BoolArray, FloatArray, IntArray
from motorfit.bench.records import Bench, Run
from motorfit.estimation.instrument_errors import add_meter_errors, instrument_error
from motorfit.estimation.meter_columns import MeterColumn
from motorfit.estimation.register import Register
from motorfit.estimation.rows import CURRENT, READ_TORQUE, SPEED, TORQUE, VOLTAGE
from motorfit.instruments import gain_half_width
from motorfit.meter import Instrument

#: Usual relative standard deviation of a repeated reading: common practice, no source.
#: Only a starting point; the residuals decide.
USUAL_REPEATABILITY = {VOLTAGE: 0.002, SPEED: 0.003, CURRENT: 0.003, TORQUE: 0.01}

_UNITS = ("V", "rad/s", "A", "N.m")


class RowColumns:
    """Arrays of n rows as in `Rows`, empty at first, and the errors of what fills them.

    Parameters
    ----------
    bench : Bench
        For its instruments.
    rows : int
        How many.
    """

    def __init__(self, bench: Bench, rows: int) -> None:
        self.bench, self.register = bench, Register()
        self.shown = np.zeros((rows, 4))
        self.rounding = np.zeros((rows, 4))
        self.usual = np.zeros((rows, 4))  # standard deviation of a repeated reading
        self.present = np.zeros((rows, 2), dtype=bool)
        self.metered = np.zeros(rows, dtype=bool)
        self.load = np.full(rows, np.inf)
        self.load_extra = np.zeros(rows)
        self.conductance = np.zeros(rows)
        self.winding = np.zeros(rows)
        self.magnets = np.zeros(rows)
        self.torque_from = np.full(rows, READ_TORQUE)
        self.added_inertia = np.zeros(rows)

    def read(
        self, run: Run, quantity: str, axis: int, rows: IntArray, arm: ArrayLike = 1.0
    ) -> BoolArray:
        """Fill in the readings of one column.

        Parameters
        ----------
        run : Run
            n readings.
        quantity : str
            Its column.
        axis : int
            Where it goes: VOLTAGE, SPEED, CURRENT or TORQUE.
        rows : ndarray of int, shape (n,)
            Places of the run among all rows.
        arm : array_like, shape (n,)
            What a reading is multiplied by.

        Returns
        -------
        ndarray of bool, shape (n,)
            Which rows have a reading.
        """
        instrument = self._instrument(run, quantity)
        # the sheet's speeds are the shaft's; display and accuracy are those of the meter
        ratio = self.bench.settings.speed.ratio if axis == SPEED else 1.0
        column = MeterColumn.of(run, quantity, instrument, ratio)
        arm = np.broadcast_to(np.asarray(arm, float) * ratio, column.read.shape)
        there, at = column.there, rows[column.there]
        values = column.read * arm
        self.shown[at, axis] = values[there]
        if run.rates is None:
            rounding = column.rounding * arm**2
            flicker = (USUAL_REPEATABILITY[axis] * values) ** 2 + rounding
            self.rounding[at, axis] = rounding[there]
            self.usual[at, axis] = np.sqrt(flicker)[there]
        elif axis != CURRENT and run.rates.quantity != quantity:
            # where a log was reduced to rates its values are chosen, not read: no scatter
            self.rounding[at, axis] = run.rates.beside
        self._add_errors(run, quantity, axis, rows, column, arm)
        return there

    def _instrument(self, run: Run, quantity: str) -> Instrument:
        return self.bench.instrument(quantity, run.meters.get(quantity, ""))

    def _add_errors(
        self,
        run: Run,
        quantity: str,
        axis: int,
        rows: IntArray,
        column: MeterColumn,
        arm: FloatArray,
    ) -> None:
        """Errors of the meter; its gain acts on the rates of its readings as well."""
        instrument, meter = self._instrument(run, quantity), run.meters.get(quantity, "")
        sign = -1.0 if run.test.generating and axis in (CURRENT, TORQUE) else 1.0
        for label, chosen in column.by_range():
            add_meter_errors(
                self.register,
                instrument,
                meter,
                rows[chosen],
                label=label,
                step=column.step[chosen],
                axis=axis,
                per_unit=sign * arm[chosen],
                unit="N" if quantity == "force" else _UNITS[axis],
            )
            if run.rates is not None and run.rates.quantity == quantity:
                gain = instrument_error(instrument, "gain", gain_half_width(instrument), label)
                key = (instrument.quantity, meter, label, "gain")
                self.register.add(gain, key, "gain", rows[chosen], quantity=TORQUE)
