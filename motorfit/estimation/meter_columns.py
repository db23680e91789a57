"""One column of a sheet as its meter showed it: steps, ranges, rounding."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from motorfit.arrays import BoolArray, FloatArray
from motorfit.bench.records import Run
from motorfit.instruments import (
    calibrated,
    gain_half_width,
    near_end_of_range,
    offset_half_width,
    range_of,
    rounding_variance,
    standard_uncertainty,
)
from motorfit.meter import Instrument

#: No instrument of this kind of bench resolves more than a millionth of its reading: common
#: practice, no source.
_EXACT = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeterColumn:
    """Readings of one meter, each of shape (n,), in the meter's own quantity in SI."""

    there: BoolArray  # where there is a reading
    read: FloatArray  # calibrated; NaN where there is none
    step: FloatArray  # one digit of the display
    rounding: FloatArray  # variance of the display's rounding
    range: NDArray[np.object_]  # label of the range

    @classmethod
    def of(cls, run: Run, quantity: str, instrument: Instrument, ratio: float) -> MeterColumn:
        """A column of a run.

        Parameters
        ----------
        run : Run
            n readings.
        quantity : str
            Its column.
        instrument : Instrument
            What they were read with.
        ratio : float
            What the sheet has per unit of what the meter shows.
        """
        shown = run.get(quantity) / ratio
        there = ~np.isnan(shown)
        written = run.written_step.get(quantity, 0.0) / ratio
        seen = shown
        if run.rates is not None:  # a log is taken in one range, that of its largest reading
            seen = np.full_like(shown, run.rates.largest[quantity] / ratio)
        step, ranges = range_of(np.where(there, seen, 0.0), instrument, written)
        doubtful = near_end_of_range(seen, instrument, written)
        step = np.where(doubtful, 10.0 * step, step)  # a digit of the larger range
        read = calibrated(shown, instrument)
        rounding = rounding_variance(step) + _least_variance(read)
        labels = [
            f"end of {name}" if odd else name for name, odd in zip(ranges, doubtful, strict=True)
        ]
        return cls(
            there=there,
            read=read,
            step=step,
            rounding=rounding + doubtful * _either_range(instrument, read, step),
            range=np.array(labels, dtype=object),
        )

    def by_range(self) -> Iterator[tuple[str, BoolArray]]:
        """Each range with its readings, (n,)."""
        for label in dict.fromkeys(self.range[self.there]):
            yield label, self.there & (self.range == label)


def _either_range(instrument: Instrument, read: FloatArray, step: FloatArray) -> FloatArray:
    """Variance within readings of which some are of one range and some of the next."""
    gain = standard_uncertainty(gain_half_width(instrument) * read)
    offset = standard_uncertainty(offset_half_width(instrument, step))
    return np.asarray(0.5 * (gain**2 + offset**2))


def _least_variance(values: FloatArray) -> float:
    """Variance below which no reading is exact, whatever its display."""
    return (_EXACT * float(np.nanmax(np.abs(values), initial=0.0)) + _EXACT**2) ** 2
