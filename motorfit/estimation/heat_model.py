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
from motorfit.bench.records import Bench
from motorfit.estimation.heat_errors import (
    BRUSH_DIFFERENCE,
    MAGNET_SHARE,
    UNKNOWN_MAGNETS,
    Errors,
    Unknown,
    air_from,
    errors_of,
    parameter,
)
from motorfit.estimation.heat_readings import NOTHING, HeatReadings
from motorfit.estimation.physics import T0, VB, VBS, A, B, C, K, R
from motorfit.estimation.uncertainty import Uncertainty
from motorfit.instruments import calibrated, machine_current, range_of, rounding_variance
from motorfit.machine.brushed import brush_saturation
from motorfit.machine.driven_warming import driven_rise, lags_of, response
from motorfit.machine.temperature import WINDING_CONSTANT, winding_factor
from motorfit.machine.warming import OneBody, TwoBodies

#: Below this many times the brush current scale the brush drop is a guess.
CLEAR_OF_BRUSHES = 5.0

#: A rotor slower than this share of its fastest stands: a tachometer seldom shows zero.
STANDING = 0.02

#: So many readings with the rotor stopped tell its winding's temperature.
FEWEST_STANDING = 3

#: Usual repeatability of one reading, relative: only a start, the residuals decide.
_REPEATS = 0.001

#: Usual scatter of a thermometer. [K]
_THERMOMETER_REPEATS = 0.2

#: The doubt of a turning machine's EMF, which its voltage cannot tell from its winding's.
MAGNETS_WARM = "how warm the magnets became"

#: Brush drop where nothing is known, and its doubt: common practice, no source. [V]
_USUAL_DROP = {
    "carbon": (1.2, 0.7),
    "metal-graphite": (0.5, 0.3),
    "precious-metal": (0.1, 0.1),
    "unknown": (0.8, 0.7),
}

#: Ten times its doubt is as good as anything.
_FORGOTTEN = 10.0

#: The current may have been switched at any instant between two readings. At half way the power
#: is that much more or less of the step: half of the area on either side of it counts there.
_SWITCHING = 1.0 / 3.0**0.5

#: It is no more than this share of the largest voltage of a held rotor, doubt and all alike.
_MOST_DROP = 0.2


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
        self, core: FloatArray, unknown: FloatArray, answer: FloatArray | None = None
    ) -> FloatArray:
        """Rise of the winding over the air at each instant of the grid, (..., g). [K]"""
        power, growth = self.heat(unknown)
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
        self, core: FloatArray, unknown: FloatArray, answer: FloatArray | None = None
    ) -> FloatArray:
        """What the telling readings should have shown, (..., m)."""
        place = self.readings.place
        rise = self.rise(core, unknown, answer)[..., place]
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


def heat_model(bench: Bench, uncertainty: Uncertainty, readings: HeatReadings) -> HeatModel:
    """The model of one heat run.

    Parameters
    ----------
    bench : Bench
        Settings and instruments.
    uncertainty : Uncertainty
        Of the joint fit; it must know an armature resistance, or a combination with it.
    readings : HeatReadings
        Of the run.

    Returns
    -------
    HeatModel
    """
    settings, problem = bench.settings, uncertainty.joint.problem
    errors = errors_of(bench, uncertainty, readings)
    _bound_brushes(bench, uncertainty, readings, errors)
    turning = settings.heat_run.rotor == "turning"
    places = {index: parameter(uncertainty, index) for index in (K, R, VB, VBS, T0, B, C, A)}
    known = uncertainty.joint.standing.known
    # turning, a thermometer in the winding knows better than a voltage that is mostly EMF
    read = {name: int(np.isfinite(readings.get(name)).sum()) for name in ("voltage", "winding")}
    by_voltage = read["voltage"] > 1 and not (turning and read["winding"] > 1)
    told, shown, usual = _told(bench, readings, by_voltage, problem.conditions.brush_current_scale)
    # what the ammeter shows beside a smooth current is its scatter, or a current that truly wanders
    errors.means["follows"] = np.full(len(readings), 0.5)
    wanders = Unknown(nuisance=None, words="whether the current wandered or its readings did")
    errors.add(wanders, "follows", np.full(len(readings), 0.5))
    _add_brushes(readings, errors, places, turning, _usual_drop(bench, readings))
    slope = _magnet_slope(problem.magnet_coefficient)
    if turning:
        doubt = Unknown(nuisance=None, words=MAGNETS_WARM)
        errors.add(doubt, "magnet slope", np.full(len(readings), slope[1]))
    _add_cooling(readings, errors)
    emf = errors.machine[places[K]] if places[K] is not None else 0.0
    voltmeter = bench.instrument("voltage", readings.run.meters.get("voltage", ""))
    ammeter = bench.instrument("current", readings.run.meters.get("current", ""))
    return HeatModel(
        readings=readings,
        errors=errors,
        by_voltage=by_voltage,
        told=told,
        shown=shown,
        usual=usual,
        turning=turning,
        generating=turning and _generates(readings, float(emf)),
        loss_known=all((place := places[index]) is not None and known[place] for index in (T0, B)),
        reference=settings.conditions.reference.value,
        winding_constant=WINDING_CONSTANT[settings.machine.winding_material],
        scale=problem.conditions.brush_current_scale,
        per_shown=float(calibrated(1.0, ammeter)),
        lead_resistance=settings.leads.resistance.value,
        conductance=1.0 / voltmeter.input_resistance if voltmeter.input_resistance else 0.0,
        places=places,
        magnet_slope=slope,
        start_offset=_start_offset(bench, readings),
        ambient=_ambient(bench, readings),
    )


def _told(
    bench: Bench, readings: HeatReadings, by_voltage: bool, scale: float
) -> tuple[BoolArray, FloatArray, FloatArray]:
    """Which readings tell a temperature, what they show, and their usual deviation."""
    run, current = readings.run, np.abs(readings.get("current"))
    if not by_voltage:
        shown = readings.get("winding")
        told = np.isfinite(shown)
        return told, shown[told], np.full(int(told.sum()), _THERMOMETER_REPEATS)
    voltmeter = bench.instrument("voltage", run.meters.get("voltage", ""))
    ammeter = bench.instrument("current", run.meters.get("current", ""))
    shown = calibrated(readings.get("voltage"), voltmeter)
    least = max(CLEAR_OF_BRUSHES * scale, NOTHING * float(np.max(current)))
    told = np.isfinite(shown) & (current > least)
    variance = (_REPEATS * shown) ** 2 + (_REPEATS * shown) ** 2
    for meter, quantity, per_unit in (
        (voltmeter, "voltage", np.ones(len(readings))),
        (ammeter, "current", np.abs(shown) / np.maximum(current, 1e-12)),
    ):
        step, _ = range_of(readings.get(quantity), meter, run.written_step.get(quantity, 0.0))
        variance = variance + rounding_variance(np.nan_to_num(step)) * per_unit**2
    return told, shown[told], np.sqrt(variance[told])


def _add_brushes(
    readings: HeatReadings,
    errors: Errors,
    places: dict[int, int | None],
    turning: bool,
    usual: tuple[float, float],
) -> None:
    """A brush drop that the joint fit lacks: another brushes' drop, or a usual one."""
    one = np.ones(len(readings))
    if places[VB if turning else VBS] is not None:
        return
    other = places[VB]
    if other is not None:
        doubt = Unknown(nuisance=None, words="brush drop of the held rotor")
        errors.add(doubt, "brush ratio", BRUSH_DIFFERENCE * one)
        return
    errors.means["brush drop"] = usual[0] * one
    errors.add(Unknown(nuisance=None, words="brush drop, assumed"), "brush drop", usual[1] * one)


def _usual_drop(bench: Bench, readings: HeatReadings) -> tuple[float, float]:
    """A brush drop of such brushes, and its doubt. [V]"""
    drop, doubt = _USUAL_DROP[bench.settings.machine.brush_material]
    largest = _MOST_DROP * float(np.nanmax(np.abs(readings.get("voltage")), initial=0.0))
    return (min(drop, largest), min(doubt, largest)) if largest > 0 else (drop, doubt)


def _bound_brushes(
    bench: Bench, uncertainty: Uncertainty, readings: HeatReadings, errors: Errors
) -> None:
    """A brush drop that the joint fit leaves open is one of a usual size.

    Resistance and drop are known together then, and the usual drop moves the resistance.
    """
    known, places = uncertainty.joint.standing.known, []
    for index in (VB, VBS):
        place = parameter(uncertainty, index)
        if place is not None and not known[place]:
            places.append(place)
    drop, doubt = _usual_drop(bench, readings)
    root = errors.by_unknown[: errors.joint_scatter]
    for place in places:
        covariance = root.T @ root
        along = covariance[:, place] / covariance[place, place]
        # where the joint fit left it is no knowledge: all of that direction is forgotten
        covariance = covariance + (_FORGOTTEN * doubt) ** 2 * np.outer(along, along)
        gain = covariance[:, place] / (covariance[place, place] + doubt**2)
        errors.machine = errors.machine + gain * (drop - errors.machine[place])
        left = covariance - np.outer(gain, covariance[place])
        size = np.sqrt(np.maximum(np.diag(left), 1e-300))
        values, vectors = np.linalg.eigh(left / np.outer(size, size))
        root = (vectors * np.sqrt(np.maximum(values, 0.0))).T * size
    errors.by_unknown[: errors.joint_scatter] = root


def _add_cooling(readings: HeatReadings, errors: Errors) -> None:
    """Brushes at the small current of the cooling, and when it was switched: the last unknowns."""
    cooling = np.where(readings.heating, 0.0, BRUSH_DIFFERENCE)
    if np.any(cooling):
        words = "brush drop at the small current of the cooling readings"
        errors.add(Unknown(nuisance=None, words=words), "brush ratio", cooling)
    for place in readings.switching:
        shape = np.zeros(len(readings.grid))
        shape[place] = _SWITCHING
        words = "moment of switching the current"
        errors.add(Unknown(nuisance=None, words=words), "switching", shape)


def _magnet_slope(coefficient: float | None) -> tuple[float, float, float]:
    """Change of k per kelvin of the winding's rise, its doubt, and the coefficient."""
    middle, half = 0.5 * (MAGNET_SHARE[1] + MAGNET_SHARE[0]), 0.5 * np.ptp(MAGNET_SHARE)
    mean, doubt = UNKNOWN_MAGNETS if coefficient is None else (coefficient, 0.1 * coefficient)
    share_doubt = float(half) / 3.0**0.5
    return mean * middle, float(np.hypot(mean * share_doubt, doubt * middle)), coefficient or 0.0


def _generates(readings: HeatReadings, emf_constant: float) -> bool:
    """Whether a turning machine gives: its voltage is then below its EMF."""
    emf = emf_constant * np.abs(readings.get("speed"))
    both = np.isfinite(emf) & np.isfinite(readings.get("voltage")) & readings.heating
    return bool(both.any() and np.median((readings.get("voltage") - emf)[both]) < 0)


def _start_offset(bench: Bench, readings: HeatReadings) -> float:
    """Winding over air at the start, where both are stated apart."""
    conditions = bench.settings.conditions
    seen, air = readings.get("winding"), readings.get("ambient")
    if np.isfinite(seen[0]) and np.isfinite(air[0]):
        return float(seen[0] - air[0])
    stated = "winding" in conditions.model_fields_set and conditions.ambient is not None
    if stated and conditions.ambient and not np.isfinite(air).any():
        return conditions.winding.value - conditions.ambient.value
    return 0.0


def _ambient(bench: Bench, readings: HeatReadings) -> FloatArray:
    conditions = bench.settings.conditions
    stated = (conditions.ambient or conditions.winding).value
    if air_from(bench, readings) == "winding column":
        stated = float(readings.get("winding")[0])
    return readings.on_grid("ambient", stated)
