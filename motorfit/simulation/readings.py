r"""What a virtual meter shows.

.. math:: \text{shown} = (1 + g)\,\text{true} + o + e

with the gain g and the offset o drawn once for each range of a meter, the scatter e new
at each reading, and the sum rounded to the step of the display.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.instruments import gain_half_width, offset_half_width, range_of
from motorfit.meter import Instrument
from motorfit.simulation.instruments import VirtualKit, VirtualMeter


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnError:
    """The errors that one range of one meter, or one resistor, was given."""

    quantity: str
    meter: str  # its id
    step: float  # of the display in that range [SI]; a resistor: its nominal value [ohm]
    gain: float
    offset: float  # [SI]


@dataclass(slots=True, kw_only=True)
class DrawnKit:
    """The errors of the instruments, each drawn when it is first used and kept."""

    rng: np.random.Generator
    normal: bool
    errors: dict[tuple[str, float], DrawnError] = field(default_factory=dict)
    seen: dict[str, list[float]] = field(default_factory=dict)  # step of each reading, by quantity

    def error(self, meter: VirtualMeter, step: float) -> DrawnError:
        """The gain and offset of one range of a meter, or of one resistor."""
        stated = meter.stated
        if (stated.quantity, step) not in self.errors:
            known = 0.0 if stated.calibration is None else stated.calibration.gain
            gain = known + gain_half_width(stated) * self.draw()
            offset = offset_half_width(stated, step).item() * self.draw()
            self.errors[stated.quantity, step] = DrawnError(
                quantity=stated.quantity,
                meter=stated.id,
                step=step,
                gain=gain if meter.gain is None else meter.gain,
                offset=offset if meter.offset is None else meter.offset,
            )
        return self.errors[stated.quantity, step]

    def resistor(self, kit: VirtualKit, nominal: float) -> float:
        """The true value of the resistor on which ``nominal`` is written. [ohm]"""
        error = self.error(kit.meter("load"), nominal)
        return (nominal - error.offset) / (1.0 + error.gain)

    def usual_step(self, meter: VirtualMeter) -> float:
        """The step that most readings of a meter were shown in, so far."""
        seen = self.seen.get(meter.stated.quantity)
        if not seen:
            return meter.stated.resolution or 0.01 * meter.stated.display_factor
        return max(set(seen), key=lambda step: (seen.count(step), step))

    def draw(self) -> float:
        """An error in units of its half-width."""
        if self.normal:
            return float(self.rng.standard_normal() / np.sqrt(3.0))
        return float(self.rng.uniform(-1.0, 1.0))

    def read(
        self, meter: VirtualMeter, true: FloatArray, *, step: float | None = None
    ) -> tuple[FloatArray, float]:
        """What the meter shows of ``true``, and the finest step it showed it in.

        Parameters
        ----------
        meter : VirtualMeter
            The meter.
        true : ndarray, shape (n,)
            The true values. [SI]
        step : float, optional
            The step of the range, where it is not that which fits the values. [SI]

        Returns
        -------
        shown : ndarray, shape (n,)
            [SI]
        step : float
            [SI]
        """
        scatter = self.rng.standard_normal(true.shape)
        scattered = true + scatter * np.hypot(meter.repeatability * true, meter.noise)
        if step is not None:
            steps = np.full(true.shape, step)
            return self._shown(meter, true, scattered, steps), step
        steps, _ = range_of(scattered, meter.stated)
        shown = self._shown(meter, true, scattered, steps)
        if meter.stated.counts is not None:
            larger, _ = range_of(shown, meter.stated)
            if (larger > steps).any():  # its own error pushed it over the end of the range
                steps = np.maximum(steps, larger)
                shown = self._shown(meter, true, scattered, steps)
        self.seen.setdefault(meter.stated.quantity, []).extend(map(float, steps))
        return shown, float(steps.min(initial=np.inf))

    def _shown(
        self, meter: VirtualMeter, true: FloatArray, scattered: FloatArray, steps: FloatArray
    ) -> FloatArray:
        shown = scattered.copy()
        for step in np.unique(steps).tolist():
            here = steps == step
            error = self.error(meter, step)
            shown[here] += error.gain * true[here] + error.offset
        return rounded(shown, meter.stated, steps)


def rounded(values: FloatArray, instrument: Instrument, steps: FloatArray) -> FloatArray:
    """Values as the display rounds them.

    Steps below one displayed unit are divided by and not multiplied with, so that 12.3 V
    is the very number that reading "12.3" gives.
    """
    factor = instrument.display_factor
    per_unit = factor / steps
    whole = np.round(values / steps)
    near = np.round(per_unit)
    decimal = (near >= 1) & (np.abs(per_unit - near) < 1e-9 * near)
    displayed = np.where(decimal, whole / np.where(decimal, near, 1.0), whole * (steps / factor))
    return np.asarray((displayed + 0.0) * factor)


def decimal_step(value: float) -> float:
    """Step of the last digit somebody would write: 0.1 for 4.7, 1 for 10."""
    digits = f"{value:.10g}"
    return 10.0 ** -len(digits.partition(".")[2]) if "." in digits else 1.0
