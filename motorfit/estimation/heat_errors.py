"""What is unknown in a heat run besides its heat path: meters, temperatures, brushes.

Every unknown is a number with mean zero and standard deviation one; what it does to each
reading stands beside it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.bench.records import Bench
from motorfit.estimation.heat_readings import HeatReadings
from motorfit.estimation.physics import MACHINE_PARAMETERS
from motorfit.estimation.rows import Nuisance
from motorfit.estimation.uncertainty import Uncertainty
from motorfit.instruments import gain_half_width, offset_half_width, range_of

#: A machine that rested overnight is as warm as the room to this. Common practice. [K]
START_DOUBT = 2.0

#: A room whose temperature nobody watched may change by this through a heat run. [K]
ROOM_DRIFT = 2.0

#: Resistance at the one rotor position and with the contacts of this run, relative to the
#: mean of all: usual size, no source.
RUN_RESISTANCE = 0.03

#: Brushes of the held rotor against the running ones, and while cooling at a small current:
#: relative to the brush drop, no source.
BRUSH_DIFFERENCE = 0.3

#: Rise of the magnets over that of the winding: anything between these, a guess.
MAGNET_SHARE = (0.0, 0.7)

#: Magnets of a kind that nobody knows, between neodymium and ferrite. [1/K]
UNKNOWN_MAGNETS = (-0.0016, 0.0005)


@dataclass(frozen=True, slots=True, kw_only=True)
class Unknown:
    """One unknown error."""

    nuisance: Nuisance | None  # of an instrument or a temperature; None: no instrument's
    words: str


@dataclass(slots=True)
class Errors:
    """Unknown errors of one heat run, and what each adds where, by name of what it acts on.

    First come those of the joint fit: its scatter, then its instruments.
    """

    machine: FloatArray  # (p,) the joint fit's parameters
    by_unknown: FloatArray  # (u, p) how each unknown moves them
    unknowns: list[Unknown] = field(default_factory=list)
    shapes: dict[str, list[tuple[int, FloatArray]]] = field(default_factory=dict)
    means: dict[str, FloatArray] = field(default_factory=dict)
    joint_scatter: int = 0  # how many of the first are the joint fit's scatter
    own: dict[tuple[str, ...], int] = field(default_factory=dict)  # instruments, where they are

    def add(
        self, unknown: Unknown, target: str, shape: FloatArray, *, at: int | None = None
    ) -> int:
        """Let an unknown, a new one or the one numbered ``at``, act with this shape (n,)."""
        if at is None:
            at = len(self.unknowns)
            self.unknowns.append(unknown)
        self.shapes.setdefault(target, []).append((at, shape))
        return at

    def total(self, target: str, unknown: FloatArray) -> FloatArray | float:
        """What all of them (..., u) add to a target, (..., n)."""
        whole: FloatArray | float = self.means.get(target, 0.0)
        for place, shape in self.shapes.get(target, []):
            whole = whole + unknown[..., place, None] * shape
        return whole

    def of_machine(self, unknown: FloatArray) -> FloatArray:
        """The machine parameters that these make, (..., p)."""
        known = unknown[..., : len(self.by_unknown)]
        return np.asarray(self.machine + known @ self.by_unknown)


def errors_of(bench: Bench, uncertainty: Uncertainty, readings: HeatReadings) -> Errors:
    """Everything unknown in a heat run but its heat path.

    Parameters
    ----------
    bench : Bench
        For instruments and conditions.
    uncertainty : Uncertainty
        Of the joint fit, whose machine and whose meters these are.
    readings : HeatReadings
        n readings.

    Returns
    -------
    Errors
    """
    errors = _of_joint_fit(uncertainty)
    for quantity in ("voltage", "current"):
        _add_meter(bench, readings, quantity, uncertainty, errors)
    _add_leads(bench, readings, uncertainty, errors)
    errors.add(Unknown(nuisance=None, words="contacts and rotor position of the heat run"),
               "run", np.array([RUN_RESISTANCE]))  # fmt: skip
    _add_temperatures(bench, readings, uncertainty, errors)
    return errors


def _of_joint_fit(uncertainty: Uncertainty) -> Errors:
    """The scatter of the joint fit as independent unknowns, then its instruments."""
    values, vectors = np.linalg.eigh(_scaled(uncertainty.scatter))
    size = np.sqrt(np.maximum(np.diag(uncertainty.scatter), 0.0))
    root = (vectors * np.sqrt(np.maximum(values, 0.0))).T * size
    deviation = np.array([one.deviation for one in uncertainty.instruments])
    errors = Errors(
        machine=np.array(uncertainty.joint.machine, float),
        by_unknown=np.concatenate([root, (uncertainty.sensitivity * deviation).T]),
        joint_scatter=len(root),
    )
    scatter = Unknown(nuisance=None, words="scatter of the other tests")
    errors.unknowns = [scatter] * len(root) + [
        Unknown(nuisance=one, words=one.words) for one in uncertainty.instruments
    ]
    return errors


def _scaled(covariance: FloatArray) -> FloatArray:
    size = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    size = np.where(size > 0, size, 1.0)
    return np.asarray(covariance / np.outer(size, size))


def _same(nuisance: Nuisance, uncertainty: Uncertainty, first: int) -> tuple[int | None, Nuisance]:
    """The joint fit's own error of that instrument, where it has just one that fits."""
    alike = [
        place
        for place, one in enumerate(uncertainty.instruments)
        if (one.quantity, one.error, one.id, one.range)
        == (nuisance.quantity, nuisance.error, nuisance.id, nuisance.range)
        and (one.shape == "normal" or abs(one.half_width / nuisance.half_width - 1.0) < 0.5)
    ]
    if len(alike) != 1:
        return None, nuisance
    return first + alike[0], uncertainty.instruments[alike[0]]


def _add(
    nuisance: Nuisance,
    target: str,
    shape: FloatArray,
    uncertainty: Uncertainty,
    errors: Errors,
) -> None:
    """An instrument's error, the joint fit's own where it is the same."""
    if nuisance.deviation <= 0:
        return
    at, known = _same(nuisance, uncertainty, errors.joint_scatter)
    key = (nuisance.quantity, nuisance.error, nuisance.id, nuisance.range)
    at = errors.own.get(key) if at is None else at
    errors.own[key] = errors.add(
        Unknown(nuisance=known, words=known.words), target, known.deviation * shape, at=at
    )
    if known.mean:
        errors.means[target] = errors.means.get(target, np.zeros(len(shape))) + known.mean * shape


def _add_meter(
    bench: Bench, readings: HeatReadings, quantity: str, uncertainty: Uncertainty, errors: Errors
) -> None:
    run, shown = readings.run, readings.get(quantity)
    if not np.isfinite(shown).any():
        return
    instrument = bench.instrument(quantity, run.meters.get(quantity, ""))
    step, labels = range_of(shown, instrument, run.written_step.get(quantity, 0.0))
    for label in dict.fromkeys(labels):
        here = np.array([one == label for one in labels]) & np.isfinite(shown)
        if not here.any():
            continue
        offset = float(np.max(offset_half_width(instrument, step[here])))
        for error, half_width, unit in (
            ("gain", gain_half_width(instrument), "1"),
            ("offset", offset, {"voltage": "V", "current": "A"}[quantity]),
        ):
            nuisance = Nuisance.rectangular(
                quantity,
                "gain" if error == "gain" else "offset",
                half_width,
                id=instrument.id,
                range=label,
                unit=unit,
            )
            _add(nuisance, f"{quantity} {error}", here.astype(float), uncertainty, errors)


def _add_leads(
    bench: Bench, readings: HeatReadings, uncertainty: Uncertainty, errors: Errors
) -> None:
    half_width = bench.settings.leads.resistance.half_width
    leads = Nuisance.rectangular("leads", "offset", half_width, unit="Ohm")
    _add(leads, "leads", np.ones(len(readings)), uncertainty, errors)


def _add_temperatures(
    bench: Bench, readings: HeatReadings, uncertainty: Uncertainty, errors: Errors
) -> None:
    """Air, its drift, and how far the machine was from it at the start."""
    conditions, points = bench.settings.conditions, len(readings.grid)
    whole, later = np.ones(points), readings.grid / max(readings.grid[-1], 1e-9)
    source = air_from(bench, readings)
    if source == "ambient column":
        _add(_thermometer(bench, readings, "ambient"), "ambient", whole, uncertainty, errors)
    else:
        stated = conditions.ambient or conditions.winding
        quantity = "ambient" if conditions.ambient else "winding"
        air = Nuisance.rectangular(quantity, "temperature", stated.half_width, unit="K")
        if source == "winding column":
            air = _thermometer(bench, readings, "winding")
        _add(air, "ambient", whole, uncertainty, errors)
        drift = Nuisance.rectangular("room through the heat run", "temperature", ROOM_DRIFT,
                                     unit="K")  # fmt: skip
        _add(drift, "ambient", later, uncertainty, errors)
    start = Nuisance.rectangular("winding at the start", "temperature", START_DOUBT, unit="K")
    if np.isfinite(readings.get("winding")).any():
        _add(_thermometer(bench, readings, "winding"), "thermometer", np.ones(len(readings)),
             uncertainty, errors)  # fmt: skip
    _add(start, "start", np.ones(1), uncertainty, errors)


def air_from(bench: Bench, readings: HeatReadings) -> str:
    """Where the temperature of the air comes from: "ambient column", "winding column" (cold, at
    the first reading), or "conditions"."""
    if np.isfinite(readings.get("ambient")).any():
        return "ambient column"
    cold = np.isfinite(readings.get("winding")[0])
    return "winding column" if cold and bench.settings.conditions.ambient is None else "conditions"


def _thermometer(bench: Bench, readings: HeatReadings, quantity: str) -> Nuisance:
    run, shown = readings.run, readings.get(quantity)
    instrument = bench.instrument(quantity, run.meters.get(quantity, ""))
    shown = shown[np.isfinite(shown)]
    step, _ = range_of(shown, instrument, run.written_step.get(quantity, 0.0))
    off = gain_half_width(instrument) * np.abs(shown) + offset_half_width(instrument, step)
    return Nuisance.rectangular(
        quantity, "temperature", float(np.max(off)), id=instrument.id, unit="K"
    )


def parameter(uncertainty: Uncertainty, index: int) -> int | None:
    """Where one of `MACHINE_PARAMETERS` stands in the joint fit, None where it is not in."""
    name = MACHINE_PARAMETERS[index]
    names = uncertainty.joint.problem.names
    return names.index(name) if name in names else None
