"""The handful of numbers of the first screen, in the trade's units."""

from __future__ import annotations

from dataclasses import replace

from motorfit.estimate import Estimate, NotKnown
from motorfit.estimation.result import Fit
from motorfit.profile.model import Combination, MachineProfile
from motorfit.quantities import friendly, show_number
from motorfit.report.layout import cut_row
from motorfit.report.motion_numbers import amps_rows, inertia_rows, slowing_row, starting_rows
from motorfit.report.number_rows import columns_of, number_row, value_row
from motorfit.report.words import combination, rounded, test_named_in
from motorfit.unit_tables import RPM

#: Parameters that driven readings tell together before they tell them apart.
ELECTRICAL = ("emf_constant", "armature_resistance", "brush_drop")


def number_lines(fit: Fit) -> tuple[list[str], list[str]]:
    """The table of numbers, and below it what is known of combinations only.

    Parameters
    ----------
    fit : Fit
        The fit.

    Returns
    -------
    numbers, together : list of str
        Lines of at most 80 columns.
    """
    profile = fit.profile
    together = _together(profile)
    below = " (below)" if together else ""
    constant, winding, brushes = (profile.parameters[name] for name in ELECTRICAL)
    at = f"{profile.reference_temperature:.4g} degC"
    numbers = [
        columns_of("Numbers", "value", f"{100 * fit.level:.4g} % interval", "how known"),
        number_row("volts per 1000 rpm", constant, below=below, factor=1000 * RPM, unit="V"),
        *([_constant_elsewhere(constant)] if isinstance(constant, Estimate) else []),
        number_row(f"winding at {at}", winding, below=below, hidden=_hidden(fit, winding)),
        number_row("brush drop", brushes, below=below, hidden=_hidden(fit, brushes)),
        _loss_row(fit, below),
        *starting_rows(profile),
        *inertia_rows(profile, fit.bench.settings.machine.moment_of_inertia),
        *amps_rows(profile, fit.level),
    ]
    return numbers, [*together, *_telling_apart(fit)]


def _hidden(fit: Fit, known: Estimate | NotKnown) -> bool:
    """Whether the test was done that should give it, and a slip has made nothing of it."""
    if isinstance(known, Estimate) or not _something_wrong(fit):
        return False
    return test_named_in(known.needs) in {run.kind for run in fit.bench.runs if len(run)}


def _something_wrong(fit: Fit) -> bool:
    return any(one.severity == "error" for one in fit.findings)


def _constant_elsewhere(constant: Estimate) -> str:
    half = (constant.interval[1] - constant.interval[0]) / 2
    per_volt = 1.0 / (RPM * constant.value)
    shown = show_number(per_volt, per_volt * half / constant.value)
    si = show_number(constant.value, half)
    return f"    = {shown} rpm/V = {si} V s/rad = {si} N m/A"


def _loss_row(fit: Fit, below: str) -> str:
    if fit.loss is None:
        lacking = _lacking_loss(fit.profile)
        return number_row("turning loss", lacking, below=below, hidden=_hidden(fit, lacking))
    power = fit.loss.power
    if isinstance(_lacking_loss(fit.profile), NotKnown):
        power = replace(power, standing="combined")
    row = number_row(f"turning loss, {fit.loss.speed / RPM:.0f} rpm", power)
    return row.replace("combined", "this speed only")


def _lacking_loss(profile: MachineProfile) -> Estimate | NotKnown:
    parts = [profile.parameters[name] for name in ("coulomb_torque", "viscous_coefficient")]
    return next((part for part in parts if isinstance(part, NotKnown)), parts[0])


def _together(profile: MachineProfile) -> list[str]:
    return [
        _combination_row(one)
        for one in profile.combinations
        if one.unit != "N.m"  # the turning loss at one speed has its row already
    ]


def _telling_apart(fit: Fit) -> list[str]:
    """What would tell volts per rpm, winding and brushes, or torque and inertia, apart."""
    return [*_electrical_apart(fit), *_mechanical_apart(fit)]


def _mechanical_apart(fit: Fit) -> list[str]:
    inertia = fit.profile.parameters["moment_of_inertia"]
    if isinstance(inertia, Estimate) or inertia.standing != "combined":
        return []
    return [cut_row(f"  Torque and inertia need: {inertia.needs}")]


def _electrical_apart(fit: Fit) -> list[str]:
    parts = [fit.profile.parameters[name] for name in ELECTRICAL]
    needs = [
        part.needs for part in parts if isinstance(part, NotKnown) and part.standing == "combined"
    ]
    if not needs:
        return []
    if _something_wrong(fit):
        # a slip makes all scatter look so large that nothing can be told apart any more
        return ["  Settle the findings first: what does not fit hides what they are"]
    return [cut_row(f"  To tell them apart it takes: {needs[0]}")]


def _combination_row(known: Combination) -> str:
    slowing = slowing_row(known)
    if slowing:
        return slowing
    at = known.at
    factor, unit = friendly(known.value, known.unit)
    label = combination(known.of)
    if known.unit == "Ohm" and set(at) == {"current"}:
        label = f"winding+brushes, {rounded(at['current'])} A"
    elif known.unit == "A.s/rad" and set(at) == {"load"}:
        label = f"amps/1000 rpm, {rounded(at['load'])} ohm"
        factor, unit = 1000 * RPM, "A"
    elif known.unit == "A" and set(at) == {"load"}:
        label = "less, at every speed"
    elif known.unit == "V.s/rad":
        label = "V/1000 rpm less brushes"
        factor, unit = 1000 * RPM, "V"
    low, high = (factor * end for end in known.interval)
    return value_row(label, factor * known.value, (low, high), unit)
