"""Between a profile in memory and the plain parts of its file."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import fields
from typing import Any

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.estimate import Estimate, NotKnown
from motorfit.finding import Finding
from motorfit.profile.model import (
    PARAMETER_UNITS,
    Combination,
    Constants,
    InstrumentError,
    Machine,
    MachineProfile,
    Provenance,
    Range,
    ThermalBodies,
)
from motorfit.profile.schema import (
    FORMAT,
    VERSION,
    CombinationPart,
    EstimatePart,
    FindingPart,
    InstrumentPart,
    NotKnownPart,
    ProfilePart,
    ThermalBodiesPart,
)


def to_parts(profile: MachineProfile) -> dict[str, Any]:
    """Lay out a profile as its file has it, every key in its fixed place."""
    return {
        "format": FORMAT,
        "version": VERSION,
        "machine": _machine(profile.machine),
        "reference_temperature": {"value": float(profile.reference_temperature), "unit": "Cel"},
        "parameters": {
            name: _parameter(profile.parameters[name]) for name in _in_order(profile.parameters)
        },
        "combinations": [_combination(item) for item in profile.combinations],
        "constants": _constants(profile.constants),
        **_thermal_bodies(profile.thermal_bodies),
        "covariance": {
            "order": list(profile.covariance_order),
            "scatter": np.asarray(profile.scatter_covariance, float).tolist(),
        },
        "instruments": [_instrument(item) for item in profile.instruments],
        "range": _range(profile.range),
        "directions": {
            direction: {name: _parameter(estimates[name]) for name in _in_order(estimates)}
            for direction, estimates in sorted(profile.directions.items())
        },
        "findings": [_finding(item) for item in profile.findings],
        "provenance": _provenance(profile.provenance),
    }


def from_parts(parts: ProfilePart) -> MachineProfile:
    """Make the profile that a file has laid out."""
    tested = parts.range
    order = parts.covariance.order
    return MachineProfile(
        machine=Machine(**parts.machine.model_dump()),
        reference_temperature=parts.reference_temperature.value,
        parameters={name: _estimate(part) for name, part in parts.parameters.items()},
        combinations=tuple(_read_combination(part) for part in parts.combinations),
        constants=Constants(**parts.constants.model_dump()),
        thermal_bodies=_read_thermal_bodies(parts.thermal_bodies),
        covariance_order=tuple(order),
        scatter_covariance=_matrix(parts.covariance.scatter, len(order)),
        instruments=tuple(_read_instrument(part) for part in parts.instruments),
        range=Range(
            speed=tested.speed[:2],
            current=tested.current[:2],
            winding=tested.winding[:2],
            direction=tested.direction,
        ),
        directions={
            direction: {name: _known(part) for name, part in estimates.items()}
            for direction, estimates in parts.directions.items()
        },
        findings=tuple(_read_finding(part) for part in parts.findings),
        provenance=Provenance(
            motorfit=parts.provenance.motorfit,
            files=dict(parts.provenance.files),
            assumed=tuple(parts.provenance.assumed),
            level=parts.provenance.level,
        ),
    )


def _in_order(names: Iterable[str]) -> list[str]:
    """Parameters in the order of all tables, then anything else by its name."""
    known = list(PARAMETER_UNITS)
    return sorted(names, key=lambda name: (name not in known, *_rank(name, known)))


def _rank(name: str, known: list[str]) -> tuple[int, str]:
    return (known.index(name) if name in known else 0, name)


def _machine(machine: Machine) -> dict[str, Any]:
    parts: dict[str, Any] = {"name": machine.name, "kind": machine.kind, "shaft": machine.shaft}
    optional = {"serial": machine.serial, "type": machine.type, "lot": machine.lot}
    return parts | {name: value for name, value in optional.items() if value is not None}


def _parameter(found: Estimate | NotKnown) -> dict[str, Any]:
    if isinstance(found, NotKnown):
        return {"unit": found.unit, "standing": found.standing, "needs": found.needs}
    return {
        "value": float(found.value),
        "unit": found.unit,
        "standard_uncertainty": float(found.standard_uncertainty),
        "from_scatter": float(found.from_scatter),
        "from_instruments": float(found.from_instruments),
        "interval": _ends(found.interval),
        "level": float(found.level),
        "method": found.method,
        "degrees_of_freedom": _finite(found.degrees_of_freedom),
        "standing": found.standing,
    }


def _combination(combination: Combination) -> dict[str, Any]:
    return {
        "of": combination.of,
        "at": {name: float(combination.at[name]) for name in sorted(combination.at)},
        "value": float(combination.value),
        "unit": combination.unit,
        "standard_uncertainty": float(combination.standard_uncertainty),
        "interval": _ends(combination.interval),
        "degrees_of_freedom": _finite(combination.degrees_of_freedom),
    }


def _constants(constants: Constants) -> dict[str, Any]:
    parts: dict[str, Any] = {
        "winding_constant": float(constants.winding_constant),
        "magnet_coefficient": _number(constants.magnet_coefficient),
        "brush_current_scale": float(constants.brush_current_scale),
        "inductance": _number(constants.inductance),
        "insulation": constants.insulation,
    }
    # what a profile of before the first heat run did not have stays out where it says nothing
    if constants.magnet != "unknown":
        parts["magnet"] = constants.magnet
    optional = {
        "heat_run_rotor": constants.heat_run_rotor,
        "heat_run_speed": _number(constants.heat_run_speed),
    }
    return parts | {name: value for name, value in optional.items() if value is not None}


def _thermal_bodies(bodies: ThermalBodies | None) -> dict[str, Any]:
    if bodies is None:
        return {}
    parts = {part.name: _parameter(getattr(bodies, part.name)) for part in fields(ThermalBodies)}
    return {"thermal_bodies": parts}


def _read_thermal_bodies(part: ThermalBodiesPart | None) -> ThermalBodies | None:
    if part is None:
        return None
    return ThermalBodies(
        winding_to_frame=_known(part.winding_to_frame),
        winding_time_constant=_known(part.winding_time_constant),
        frame_to_air=_known(part.frame_to_air),
        frame_time_constant=_known(part.frame_time_constant),
    )


def _instrument(error: InstrumentError) -> dict[str, Any]:
    return {
        "quantity": error.quantity,
        "id": error.id,
        "range": error.range,
        "error": error.error,
        "shape": error.shape,
        "half_width": float(error.half_width),
        "unit": error.unit,
        "sensitivity": {
            name: float(error.sensitivity[name]) for name in _in_order(error.sensitivity)
        },
    }


def _range(tested: Range) -> dict[str, Any]:
    return {
        "speed": [*map(float, tested.speed), "rad/s"],
        "current": [*map(float, tested.current), "A"],
        "winding": [*map(float, tested.winding), "Cel"],
        "direction": tested.direction,
    }


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "kind": finding.kind,
        "where": finding.where,
        "says": finding.says,
        "suggestion": finding.suggestion,
        "severity": finding.severity,
        "damage": float(finding.damage),
    }


def _provenance(provenance: Provenance) -> dict[str, Any]:
    return {
        "motorfit": provenance.motorfit,
        "files": {name: provenance.files[name] for name in sorted(provenance.files)},
        "assumed": list(provenance.assumed),
        "level": float(provenance.level),
    }


def _number(value: float | None) -> float | None:
    return None if value is None else float(value)


def _finite(value: float) -> float | None:
    """Plus infinity has no place in JSON; nothing but it may become null."""
    return None if value == np.inf else float(value)


def _ends(interval: tuple[float, float]) -> list[float | None]:
    low, high = interval
    return [None if low == -np.inf else float(low), _finite(high)]


def _read_ends(interval: tuple[float | None, float | None]) -> tuple[float, float]:
    low, high = interval
    return (-np.inf if low is None else low, np.inf if high is None else high)


def _read_freedom(value: float | None) -> float:
    return np.inf if value is None else value


def _estimate(part: EstimatePart | NotKnownPart) -> Estimate | NotKnown:
    if isinstance(part, NotKnownPart):
        return NotKnown(unit=part.unit, standing=part.standing, needs=part.needs)
    return _known(part)


def _known(part: EstimatePart) -> Estimate:
    return Estimate(
        value=part.value,
        unit=part.unit,
        standard_uncertainty=part.standard_uncertainty,
        from_scatter=part.from_scatter,
        from_instruments=part.from_instruments,
        interval=_read_ends(part.interval),
        level=part.level,
        degrees_of_freedom=_read_freedom(part.degrees_of_freedom),
        method=part.method,
        standing=part.standing,
    )


def _read_combination(part: CombinationPart) -> Combination:
    return Combination(
        of=part.of,
        at=dict(part.at),
        value=part.value,
        unit=part.unit,
        standard_uncertainty=part.standard_uncertainty,
        interval=_read_ends(part.interval),
        degrees_of_freedom=_read_freedom(part.degrees_of_freedom),
    )


def _read_instrument(part: InstrumentPart) -> InstrumentError:
    return InstrumentError(
        quantity=part.quantity,
        id=part.id,
        range=part.range,
        error=part.error,
        shape=part.shape,
        half_width=part.half_width,
        unit=part.unit,
        sensitivity={str(name): value for name, value in part.sensitivity.items()},
    )


def _read_finding(part: FindingPart) -> Finding:
    return Finding(
        kind=part.kind,
        where=part.where,
        says=part.says,
        suggestion=part.suggestion,
        severity=part.severity,
        damage=part.damage,
    )


def _matrix(rows: list[list[float]], size: int) -> FloatArray:
    return np.array(rows, float).reshape(size, size)
