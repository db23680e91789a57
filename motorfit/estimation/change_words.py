"""Faults that touch more than one reading, in words."""

from __future__ import annotations

import numpy as np

from motorfit.bench.records import Bench
from motorfit.estimation.curve_words import curve_told, heating_told, torque_told
from motorfit.estimation.effect_words import damage
from motorfit.estimation.rows import SPEED
from motorfit.estimation.search import Explained, Verdict
from motorfit.estimation.sheet_words import sheet_told
from motorfit.estimation.suspicions import groups_of
from motorfit.estimation.telling import Teller, Told, ohms, percent
from motorfit.finding import Finding
from motorfit.unit_tables import RPM

#: Another setting's speed fits within so many standard deviations, or this much relatively.
_SAME_SPEED = 3.0
_SAME_SPEED_LEAST = 0.01

#: No more than this share of what an ammeter shows is too much.
_LARGEST_SHARE = 0.99


def change_findings(bench: Bench, explained: Explained) -> list[Finding]:
    """A finding for each fault that touches more than one reading.

    Parameters
    ----------
    bench : Bench
        The readings.
    explained : Explained
        What was found.

    Returns
    -------
    list of Finding
    """
    teller = Teller(bench, explained)
    found = []
    for verdict, alike in zip(explained.verdicts, explained.alike, strict=True):
        family = verdict.suspicion.family
        if family == "reading":
            continue
        told = _WORDS[family](teller, verdict, alike)
        found.append(
            Finding(
                kind=told.kind,
                where=told.where,
                says=told.says,
                suggestion=told.suggestion,
                severity=told.severity,
                damage=damage(explained, verdict),
            )
        )
    return found


def _group(teller: Teller, verdict: Verdict, alike: tuple[Verdict, ...]) -> Told:  # noqa: ARG001
    size, deviation = teller.size(verdict)
    numbers, file = teller.numbers(verdict), verdict.suspicion.file
    speed = float(np.mean(teller.speeds(verdict)))
    wanted = speed * (1.0 - size)
    belongs = _other_setting(teller, verdict, wanted, deviation * speed)
    return Told(
        kind="wrong-setting",
        where=f"{file}:{','.join(map(str, numbers))}",
        says=(
            f"{file}, rows {numbers[0]} to {numbers[-1]} share a speed that does not fit: "
            f"{speed / RPM:.0f} rpm, where {wanted / RPM:.0f} rpm would "
            f"(+- {float(f'{deviation * speed / RPM:.1g}'):g}){belongs}. They are off by "
            f"{abs(verdict.score):.1f} times what the others allow."
        ),
        suggestion=(
            "Look at your notes: of which setting are these rows? Correct their speed, or take "
            "them again."
        ),
    )


def _other_setting(teller: Teller, verdict: Verdict, wanted: float, doubt: float) -> str:
    for group in groups_of(teller.sheet(verdict)):
        if set(group.tolist()) == set(verdict.suspicion.rows.tolist()):
            continue
        speed = float(np.mean(np.abs(teller.rows.shown[group, SPEED])))
        if abs(speed - wanted) <= max(_SAME_SPEED * doubt, _SAME_SPEED_LEAST * speed):
            first, last = (int(teller.rows.row[row]) for row in (group[0], group[-1]))
            rows = f"rows {first} to {last}" if last > first else f"row {first}"
            return f", which is that of {rows}"
    return ""


def _step(teller: Teller, verdict: Verdict, alike: tuple[Verdict, ...]) -> Told:
    file, first = verdict.suspicion.file, teller.numbers(verdict)[0]
    shape = verdict.suspicion.shape
    sorts = {each.suspicion.shape for each in alike if each.suspicion.file == file}
    if shape == "speed":
        size, deviation = teller.size(verdict)
        what = (
            f"the voltage is {percent(size, deviation)} {'lower' if size > 0 else 'higher'} for "
            "its speed than before"
        )
        causes = "a lead that came loose, a belt or tyre that slips, or a meter on another range"
    elif shape == "series":
        what = f"it is as if {ohms(verdict.size, verdict.deviation)} more lay in series"
        causes = "a lead or contact that came loose, or an ammeter or shunt that reads less"
        if "speed" in sorts:
            causes += ", or a belt that slips"
    else:
        of_shown = min(verdict.size, _LARGEST_SHARE)
        size = of_shown / (1.0 - of_shown)  # of what flows
        deviation = verdict.deviation / (1.0 - of_shown) ** 2
        what = (
            f"the ammeter shows {percent(size, deviation)} "
            f"{'more' if size > 0 else 'less'} than before"
        )
        causes = "a shunt, a range or a battery of the ammeter that changed"
    return Told(
        kind="step",
        where=f"{file}:{first}",
        says=(
            f"{file}: from row {first} on {what}. That is {abs(verdict.score):.1f} times its "
            "uncertainty."
        ),
        suggestion=f"Look for {causes}; then take the rows from {first} on again.",
    )


_WORDS = {
    "group": _group,
    "step": _step,
    "sheet": sheet_told,
    "heating": heating_told,
    "curve": curve_told,
    "torque": torque_told,
}
