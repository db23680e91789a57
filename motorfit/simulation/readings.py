r"""What a virtual meter shows.

.. math:: \text{shown} = (1 + g)\,\text{true} + o + e

with the gain g and the offset o drawn once for each range of a meter, the scatter e new
at each reading, and the sum rounded to the step of the display.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from motorfit.arrays import FloatArray, IntArray
from motorfit.meter import Instrument
from motorfit.simulation.instruments import VirtualMeter

#: The most sensitive range of a meter with counts has steps of 1e-4 displayed units.
FINEST_DECADE = -4


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnError:
    """The errors that one range of one meter, or one resistor, was given."""

    quantity: str
    meter: str  # its id
    step: float  # of the display in that range [SI]; a resistor: its nominal value [ohm]
    gain: float
    offset: float  # [SI]


def decades(instrument: Instrument, true: FloatArray) -> IntArray:
    """Power of ten of the display's step, in displayed units, at each reading.

    Zero throughout for an instrument with a fixed resolution.
    """
    if instrument.counts is None:
        return np.zeros(true.shape, np.int64)
    displayed = np.maximum(np.abs(true) / instrument.display_factor, 1e-30)
    needed = np.ceil(np.log10(displayed / instrument.counts) - 1e-12)
    return np.maximum(needed, FINEST_DECADE).astype(np.int64)


def step_of(instrument: Instrument, decade: IntArray) -> FloatArray:
    """Step of the display in each range. [SI]"""
    if instrument.counts is None:
        return np.full(decade.shape, float(instrument.resolution or 0.0))
    return np.asarray(instrument.display_factor * 10.0**decade)


@dataclass(slots=True, kw_only=True)
class DrawnKit:
    """The errors of the instruments, each drawn when it is first used and kept."""

    rng: np.random.Generator
    normal: bool
    errors: dict[tuple[str, float], DrawnError] = field(default_factory=dict)
    seen: dict[str, list[int]] = field(default_factory=dict)  # decades of each quantity's readings

    def error(self, meter: VirtualMeter, step: float) -> DrawnError:
        """The gain and offset of one range of a meter, or of one resistor."""
        stated = meter.stated
        if (stated.quantity, step) not in self.errors:
            reach = stated.accuracy
            gain, half_width = 0.0, reach.relative
            if stated.calibration is not None:
                gain, half_width = stated.calibration.gain, stated.calibration.half_width
            gain += half_width * self._draw()
            offset = (reach.digits * step + reach.absolute) * self._draw()
            self.errors[stated.quantity, step] = DrawnError(
                quantity=stated.quantity,
                meter=stated.id,
                step=step,
                gain=gain if meter.gain is None else meter.gain,
                offset=offset if meter.offset is None else meter.offset,
            )
        return self.errors[stated.quantity, step]

    def usual_decade(self, meter: VirtualMeter) -> int:
        """The range that most readings of a meter were taken in, so far."""
        seen = self.seen.get(meter.stated.quantity, [0 if meter.stated.counts is None else -2])
        return max(set(seen), key=lambda decade: (seen.count(decade), decade))

    def _draw(self) -> float:
        if self.normal:
            return float(self.rng.standard_normal() / np.sqrt(3.0))
        return float(self.rng.uniform(-1.0, 1.0))

    def read(
        self, meter: VirtualMeter, true: FloatArray, *, decade: IntArray | None = None
    ) -> tuple[FloatArray, float]:
        """What the meter shows of ``true``, and the finest step it showed it in.

        Parameters
        ----------
        meter : VirtualMeter
            The meter.
        true : ndarray, shape (n,)
            The true values. [SI]
        decade : ndarray, shape (n,), optional
            The ranges, where they are not those that fit the values.

        Returns
        -------
        shown : ndarray, shape (n,)
            [SI]
        step : float
            [SI]
        """
        stated = meter.stated
        if decade is None:
            decade = decades(stated, true)
            self.seen.setdefault(stated.quantity, []).extend(decade.tolist())
        shown = true + self.rng.standard_normal(true.shape) * np.hypot(
            meter.repeatability * true, meter.noise
        )
        steps = step_of(stated, decade)
        for step in np.unique(steps):
            here = steps == step
            error = self.error(meter, float(step))
            shown[here] += error.gain * true[here] + error.offset
        return rounded(shown, stated, steps), float(steps.min(initial=np.inf))


def rounded(values: FloatArray, instrument: Instrument, steps: FloatArray) -> FloatArray:
    """Values as the display rounds them.

    Steps below one displayed unit are divided by and not multiplied with, so that 12.3 V
    is the very number that reading "12.3" gives.
    """
    factor = instrument.display_factor
    per_unit = factor / steps
    whole = np.round(values / steps)
    near = np.round(per_unit)
    decimal = (near >= 1) & np.isclose(per_unit, near, rtol=1e-9)
    displayed = np.where(decimal, whole / np.where(decimal, near, 1.0), whole * (steps / factor))
    return np.asarray((displayed + 0.0) * factor)
