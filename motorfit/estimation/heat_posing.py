"""From a bench and its joint fit to the model of its heat run."""

from __future__ import annotations

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
from motorfit.estimation.heat_model import MAGNETS_WARM, HeatModel
from motorfit.estimation.heat_readings import NOTHING, HeatReadings
from motorfit.estimation.physics import T0, VB, VBS, A, B, C, K, R
from motorfit.estimation.uncertainty import Uncertainty
from motorfit.instruments import calibrated, range_of, rounding_variance
from motorfit.machine.temperature import WINDING_CONSTANT

#: Below this many times the brush current scale the brush drop is a guess.
CLEAR_OF_BRUSHES = 5.0

#: Usual repeatability of one reading, relative: only a start, the residuals decide.
_REPEATS = 0.001

#: Usual scatter of a thermometer. [K]
_THERMOMETER_REPEATS = 0.2

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
