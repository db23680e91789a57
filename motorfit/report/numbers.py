"""The handful of numbers of the first screen, in the trade's units."""

from __future__ import annotations

from dataclasses import replace

from motorfit.estimate import Estimate, NotKnown
from motorfit.estimation.result import Fit
from motorfit.profile.model import Combination, MachineProfile
from motorfit.quantities import friendly, show_interval, show_number
from motorfit.report.layout import WIDTH, cut_row
from motorfit.report.words import combination, rounded, test_named_in
from motorfit.unit_tables import RPM

#: Parameters that driven readings tell together before they tell them apart.
ELECTRICAL = ("emf_constant", "armature_resistance", "brush_drop")

_COLUMNS = (26, 13, 25)


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
        _columns("Numbers", "value", f"{100 * fit.level:.4g} % interval", "how known"),
        _row("volts per 1000 rpm", constant, below=below, factor=1000 * RPM, unit="V"),
        *([_constant_elsewhere(constant)] if isinstance(constant, Estimate) else []),
        _row(f"winding at {at}", winding, below=below, hidden=_hidden(fit, winding)),
        _row("brush drop", brushes, below=below, hidden=_hidden(fit, brushes)),
        _loss_row(fit),
    ]
    return numbers, [*together, *_telling_apart(fit)]


def _hidden(fit: Fit, known: Estimate | NotKnown) -> bool:
    """Whether the test was done that should give it, and a slip has made nothing of it."""
    if isinstance(known, Estimate) or not _something_wrong(fit):
        return False
    return test_named_in(known.needs) in {run.kind for run in fit.bench.runs if len(run)}


def _something_wrong(fit: Fit) -> bool:
    return any(one.severity == "error" for one in fit.findings)


def _columns(label: str, value: str, interval: str, known: str) -> str:
    first, second, third = _COLUMNS
    row = f"{label} ".ljust(first) + value
    row = f"{row} ".ljust(first + second) + interval
    row = f"{row} ".ljust(first + second + third) + known
    return cut_row(row)


def _row(
    label: str,
    known: Estimate | NotKnown,
    *,
    below: str = "",
    factor: float | None = None,
    unit: str = "",
    hidden: bool = False,
) -> str:
    label = f"  {label}"
    if isinstance(known, NotKnown):
        lacking = "assumed zero" if known.standing == "assumed" else "not measured"
        lacking += f"; it takes: {known.needs}"
        if len(lacking) > WIDTH - _COLUMNS[0]:
            lacking = f"needs {known.needs}"
        if hidden:
            lacking = "hidden by what does not fit: see Findings"
        if known.standing == "combined":
            lacking = f"not known alone, only together with others{below}"
        return cut_row(f"{label:<{_COLUMNS[0]}}{lacking}")
    if factor is None:
        factor, unit = friendly(known.value or max(known.interval, key=abs), known.unit)
    low, high = (factor * end for end in known.interval)
    at_bound = known.value == 0.0 and low >= 0.0
    return _columns(
        label,
        f"{show_number(factor * known.value, (high - low) / 2)} {unit}",
        f"{show_interval(low, high)} {unit}",
        "at its bound" if at_bound else known.standing,
    )


def _constant_elsewhere(constant: Estimate) -> str:
    half = (constant.interval[1] - constant.interval[0]) / 2
    per_volt = 1.0 / (RPM * constant.value)
    shown = show_number(per_volt, per_volt * half / constant.value)
    si = show_number(constant.value, half)
    return f"    = {shown} rpm/V = {si} V s/rad = {si} N m/A"


def _loss_row(fit: Fit) -> str:
    if fit.loss is None:
        lacking = _lacking_loss(fit.profile)
        return _row("turning loss", lacking, hidden=_hidden(fit, lacking))
    power = fit.loss.power
    if isinstance(_lacking_loss(fit.profile), NotKnown):
        power = replace(power, standing="combined")
    row = _row(f"turning loss, {fit.loss.speed / RPM:.0f} rpm", power)
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
    """What would tell volts per rpm, winding and brushes from each other."""
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
    return _columns(
        f"  {label}",
        f"{show_number(factor * known.value, (high - low) / 2)} {unit}",
        f"{show_interval(low, high)} {unit}",
        "measured",
    )
