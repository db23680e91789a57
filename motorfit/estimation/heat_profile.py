"""The thermal parameters in the machine profile, with what they share with the others."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.estimate import Estimate
from motorfit.estimation.heating_result import Heating
from motorfit.estimation.profile_parts import known_in_order, profile_error, widened_covariance
from motorfit.estimation.result import WidthShare
from motorfit.estimation.rows import Nuisance
from motorfit.estimation.uncertainty import Uncertainty
from motorfit.estimation.widths import SCATTER
from motorfit.profile.model import InstrumentError, MachineProfile, Range


def with_heating(
    profile: MachineProfile, heating: Heating | None, uncertainty: Uncertainty
) -> MachineProfile:
    """The profile with what a heat run gave.

    Parameters
    ----------
    profile : MachineProfile
        Of everything else.
    heating : Heating or None
        The heat run.
    uncertainty : Uncertainty
        Of the joint fit that the profile is of.

    Returns
    -------
    MachineProfile
        Its draws have the thermal parameters as correlated with the others as they are.
    """
    if heating is None:
        return profile
    found = {
        "thermal_resistance": heating.thermal_resistance,
        "thermal_time_constant": heating.thermal_time_constant,
    }
    parameters = {**profile.parameters, **found}
    order = known_in_order(parameters)
    provenance = replace(
        profile.provenance, assumed=(*profile.provenance.assumed, *heating.assumed)
    )
    return replace(
        profile,
        parameters=parameters,
        constants=replace(
            profile.constants, heat_run_rotor=heating.rotor, heat_run_speed=heating.speed
        ),
        thermal_bodies=heating.thermal_bodies,
        covariance_order=order,
        scatter_covariance=_scatter(profile, heating, uncertainty, order),
        instruments=_instruments(profile, heating, order),
        range=_range(profile.range, heating),
        provenance=provenance,
    )


def thermal_widths(heating: Heating | None) -> dict[str, tuple[WidthShare, ...]]:
    """Causes of the variance of each thermal parameter that has a value, largest first."""
    if heating is None:
        return {}
    found = {
        "thermal_resistance": heating.thermal_resistance,
        "thermal_time_constant": heating.thermal_time_constant,
    }
    return {
        name: tuple(
            WidthShare(
                cause=cause,
                quantity=quantity,
                share=share,
                more_readings_help=cause == SCATTER,
            )
            for cause, quantity, share in heating.widths[name]
            if share > 0
        )
        for name, estimate in found.items()
        if isinstance(estimate, Estimate)
    }


def _scatter(
    profile: MachineProfile, heating: Heating, uncertainty: Uncertainty, order: tuple[str, ...]
) -> FloatArray:
    whole = widened_covariance(profile, order)
    names, parts = uncertainty.joint.problem.names, heating.parts
    thermal = [(order.index(name), row) for row, name in enumerate(parts.names) if name in order]
    for place, row in thermal:
        for other, column in thermal:
            whole[place, other] = parts.scatter[row, column]
        for column, name in enumerate(names):
            if name in profile.covariance_order:
                at = order.index(name)
                whole[place, at] = whole[at, place] = parts.with_machine[row, column]
    return whole


def _instruments(
    profile: MachineProfile, heating: Heating, order: tuple[str, ...]
) -> tuple[InstrumentError, ...]:
    """Those of the other tests, some now with the thermal parameters, and the heat run's own."""
    errors = list(profile.instruments)
    for nuisance, slopes in heating.parts.instruments:
        sensitivity = {
            name: float(slope)
            for name, slope in zip(heating.parts.names, slopes, strict=True)
            if name in order
        }
        alike = [place for place, one in enumerate(errors) if _same(one, nuisance)]
        if alike:
            known = errors[alike[0]]
            merged = {**known.sensitivity, **sensitivity}
            errors[alike[0]] = replace(known, sensitivity=merged)
        else:
            errors.append(profile_error(nuisance, sensitivity))
    return tuple(errors)


def _same(error: InstrumentError, nuisance: Nuisance) -> bool:
    return (error.quantity, error.id, error.range, error.error, error.half_width) == (
        nuisance.quantity,
        nuisance.id,
        nuisance.range,
        nuisance.error,
        nuisance.half_width,
    )


def _range(tested: Range, heating: Heating) -> Range:
    """A current that flowed for an hour is tested, and so is a winding that it warmed."""
    current = max(tested.current[1], heating.current)
    winding = tested.winding
    if np.all(np.isfinite(winding)):
        winding = (winding[0], max(winding[1], heating.hottest.value))
    return replace(tested, current=(tested.current[0], current), winding=winding)
