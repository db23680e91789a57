r"""What a heat run should have shown, from its heat path and everything else unknown.

.. math::

    v = k m \omega (1 - a |i|) + R_\mathrm{run}\, \rho(T_a + \theta)\, i + V_b s(i)

with the rise :math:`\theta` of `motorfit.machine.driven_warming` under the power that the
same readings' currents make in the resistance of that instant.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from motorfit.arrays import BoolArray, FloatArray
from motorfit.estimation.heat_errors import Errors
from motorfit.estimation.heat_readings import HeatReadings
from motorfit.estimation.physics import T0, VB, VBS, A, B, C, K, R
from motorfit.instruments import machine_current
from motorfit.machine.brushed import brush_saturation
from motorfit.machine.driven_warming import driven_rise, lags_of, response
from motorfit.machine.temperature import winding_factor
from motorfit.machine.warming import OneBody, TwoBodies

#: A rotor slower than this share of its fastest stands: a tachometer seldom shows zero.
STANDING = 0.02

#: So many readings with the rotor stopped tell its winding's temperature.
FEWEST_STANDING = 3

#: The doubt of a turning machine's EMF, which its voltage cannot tell from its winding's.
MAGNETS_WARM = "how warm the magnets became"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeatModel:
    """A heat run of n readings, of which m tell a temperature, with u unknowns."""

    readings: HeatReadings
    errors: Errors
    by_voltage: bool  # else a thermometer tells
    told: BoolArray  # (n,) which readings tell a temperature
    shown: FloatArray  # (m,) what they showed [V or degC]
    usual: FloatArray  # (m,) usual standard deviation
    turning: bool
    generating: bool
    loss_known: bool
    reference: float  # [degC]
    winding_constant: float  # [K]
    scale: float  # brush current scale [A]
    per_shown: float  # current per ampere shown, by the ammeter's calibration
    lead_resistance: float  # [ohm]
    conductance: float  # of the voltmeter [S]
    places: dict[int, int | None]  # of the machine parameters in the joint fit
    magnet_slope: tuple[float, float, float]  # of k per kelvin of rise, doubt, coefficient
    start_offset: float  # stated difference of winding and air at the start [K]
    ambient: FloatArray  # (g,) [degC]

    @property
    def magnets_hide(self) -> bool:
        """Whether all that tells is a voltage with an EMF in it, of magnets of unknown warmth."""
        if not (self.turning and self.by_voltage):
            return False
        speed = np.abs(np.nan_to_num(self.readings.get("speed")))
        standing = self.told & (speed < STANDING * np.max(speed))
        magnets = self.told & np.isfinite(self.readings.get("magnets"))
        return int(standing.sum()) < FEWEST_STANDING and not magnets.any()

    @property
    def time(self) -> FloatArray:
        """Of the readings that tell a temperature, (m,). [s]"""
        return self.readings.time[self.told]

    def machine(self, unknown: FloatArray) -> dict[int, FloatArray]:
        """Machine parameters by index, each (..., 1); zero where the joint fit lacks one."""
        values = self.errors.of_machine(unknown)
        return {
            index: values[..., place, None] if place is not None else np.zeros(1)
            for index, place in self.places.items()
        }

    def bodies(self, core: FloatArray) -> OneBody | TwoBodies:
        """Heat path of a core: ln R, ln tau, and of two bodies logit share, ln tau of winding."""
        whole, lag = float(np.exp(core[0])), float(np.exp(core[1]))
        if len(core) == 2:
            return OneBody(thermal_resistance=whole, time_constant=lag)
        share = 1.0 / (1.0 + float(np.exp(-core[2])))
        return TwoBodies(
            winding_to_frame=share * whole,
            winding_time_constant=float(np.exp(core[3])),
            frame_to_air=(1.0 - share) * whole,
            frame_time_constant=lag,
        )

    def air(self, unknown: FloatArray) -> FloatArray:
        """Temperature of the air at each instant of the grid, (..., g). [degC]"""
        return np.asarray(self.ambient + self.errors.total("ambient", unknown))

    def true_current(self, unknown: FloatArray) -> FloatArray:
        """Of the machine at each reading, positive into it, (..., n). [A]"""
        shown = self._calibrated_current
        offset = self.errors.total("current offset", unknown)
        gain = self.errors.total("current gain", unknown)
        return np.asarray((shown - offset) / (1.0 + gain))

    @property
    def _calibrated_current(self) -> FloatArray:
        voltage = np.nan_to_num(self.readings.get("voltage"))
        sign = -1.0 if self.generating else 1.0
        return machine_current(
            sign * self.per_shown * self.readings.smooth_current, voltage, self.conductance
        )

    def resistance(self, unknown: FloatArray) -> FloatArray:
        """Of the winding in this run, at the reference temperature, (..., 1). [ohm]"""
        return np.asarray(self.machine(unknown)[R] * (1.0 + self.errors.total("run", unknown)))

    def brush_drop(self, unknown: FloatArray) -> FloatArray:
        """Full brush drop of this run at each reading, (..., n) or (..., 1). [V]"""
        drop = self.machine(unknown)[VB if self.turning or self.places[VBS] is None else VBS]
        drop = drop + self.errors.total("brush drop", unknown)
        return np.asarray(drop * (1.0 + self.errors.total("brush ratio", unknown)))

    def heat(self, unknown: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Power at the air's temperature and its growth on the grid, (..., g). [W], [W/K]"""
        time, grid = self.readings.time, self.readings.grid
        current = np.abs(self.true_current(unknown))
        brushes = self.brush_drop(unknown) * brush_saturation(current, self.scale) * current
        copper = _on_grid(current**2, time, grid) * self.resistance(unknown)
        power = copper * winding_factor(self.air(unknown), self.reference, self.winding_constant)
        power = power + _on_grid(brushes, time, grid)
        if self.turning and self.loss_known:
            speed, machine = self.readings.on_grid("speed", 0.0), self.machine(unknown)
            power = power + (machine[T0] + machine[B] * speed + machine[C] * speed**2) * speed
        power = power + self._switching(power, unknown)
        return np.asarray(power), np.asarray(copper / (self.winding_constant + self.reference))

    def _switching(self, power: FloatArray, unknown: FloatArray) -> FloatArray | float:
        """Heat more or less between two readings of which only one is of the heating current."""
        at = self.readings.switching
        if not len(at):
            return 0.0
        jump = np.zeros(power.shape)
        jump[..., at] = power[..., at - 1] - power[..., at + 1]
        return np.asarray(self.errors.total("switching", unknown) * jump)

    def rise(
        self,
        core: FloatArray,
        unknown: FloatArray,
        answer: FloatArray | None = None,
        heat: tuple[FloatArray, FloatArray] | None = None,
    ) -> FloatArray:
        """Rise of the winding over the air at each instant of the grid, (..., g). [K]"""
        power, growth = self.heat(unknown) if heat is None else heat
        start = self.start_offset + np.asarray(self.errors.total("start", unknown))
        return driven_rise(
            self.readings.grid,
            power,
            lags_of(self.bodies(core)),
            start,
            growth=growth,
            answer=answer,
        )

    def answer(self, core: FloatArray) -> FloatArray:
        """The heat path's response on the grid, for several calls with one core."""
        return response(self.readings.grid, lags_of(self.bodies(core)))

    def predict(
        self,
        core: FloatArray,
        unknown: FloatArray,
        answer: FloatArray | None = None,
        heat: tuple[FloatArray, FloatArray] | None = None,
    ) -> FloatArray:
        """What the telling readings should have shown, (..., m).

        `answer` of the core and `heat` of the unknowns are given where they are at hand.
        """
        place = self.readings.place
        rise = self.rise(core, unknown, answer, heat)[..., place]
        winding = self.air(unknown)[..., place] + rise
        if not self.by_voltage:
            return np.asarray(winding + self.errors.total("thermometer", unknown))[..., self.told]
        machine, current = self.machine(unknown), self.true_current(unknown)
        factor = winding_factor(winding, self.reference, self.winding_constant)
        voltage = self.resistance(unknown) * factor * current
        voltage = voltage + self.brush_drop(unknown) * brush_saturation(current, self.scale)
        voltage = voltage + (self.lead_resistance + self.errors.total("leads", unknown)) * current
        sign = -1.0 if self.generating else 1.0
        beside = sign * (self.readings.get("current") - self.readings.smooth_current)
        voltage = (
            voltage + self.errors.total("follows", unknown) * self.machine(unknown)[R] * beside
        )
        if self.turning:
            slope = self.magnet_slope[0] + self.errors.total("magnet slope", unknown)
            speed = np.nan_to_num(self.readings.get("speed"))
            weak = 1.0 - machine[A] * np.abs(current)
            voltage = voltage + machine[K] * self._magnets(rise, slope) * speed * weak
        gain = self.errors.total("voltage gain", unknown)
        offset = self.errors.total("voltage offset", unknown)
        return np.asarray((1.0 + gain) * voltage + offset)[..., self.told]

    def _magnets(self, rise: FloatArray, slope: FloatArray | float) -> FloatArray:
        """EMF constant relative to the reference temperature at each reading."""
        seen = self.readings.get("magnets")
        coefficient = self.magnet_slope[2]
        air = self.ambient[self.readings.place] - self.reference
        warm = 1.0 + coefficient * air + slope * rise
        if not np.isfinite(seen).any():
            return np.asarray(warm)
        shown = 1.0 + coefficient * (np.nan_to_num(seen) - self.reference)
        return np.asarray(np.where(np.isfinite(seen), shown, warm))

    def temperature(self, core: FloatArray, unknown: FloatArray) -> FloatArray:
        """What the telling readings say of the winding, (m,). [degC]"""
        place = self.readings.place
        fitted = (self.air(unknown) + self.rise(core, unknown))[place][self.told]
        left = self.shown - self.predict(core, unknown)
        if not self.by_voltage:
            return np.asarray(fitted + left)
        current = self.true_current(unknown)[self.told]
        gain = np.broadcast_to(1.0 + self.errors.total("voltage gain", unknown), self.told.shape)
        per_kelvin = self.resistance(unknown) / (self.winding_constant + self.reference)
        return np.asarray(fitted + left / (per_kelvin * current * gain[self.told]))


def _on_grid(values: FloatArray, time: FloatArray, grid: FloatArray) -> FloatArray:
    """Straight between the readings, for any leading axes."""
    at = np.clip(np.searchsorted(time, grid, side="right") - 1, 0, len(time) - 2)
    part = np.clip((grid - time[at]) / (time[at + 1] - time[at]), 0.0, 1.0)
    values = np.broadcast_to(values, (*values.shape[:-1], len(time)))
    return np.asarray(values[..., at] * (1.0 - part) + values[..., at + 1] * part)
