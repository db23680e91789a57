"""Faults that touch more than one reading, in words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.bench.records import Bench
from motorfit.estimation.effect_words import damage, size_of
from motorfit.estimation.explanation import machine_allowing
from motorfit.estimation.ground import Sheet, sheets_of
from motorfit.estimation.physics import R
from motorfit.estimation.search import Explained, Verdict
from motorfit.estimation.suspicions import groups_of
from motorfit.finding import Finding, Severity
from motorfit.quantities import show_number
from motorfit.unit_tables import RPM

#: A speed that is off by one of these looks like marks that were counted wrongly.
_MARKS = {0.5: "1/2", 2.0: "2", 1 / 3: "1/3", 3.0: "3"}
_MARKS_WITHIN = 0.05

#: Words that tell of one sheet's speeds.
MARKS = "marks are counted wrongly"

#: Another setting's speed fits within so many standard deviations, or this much relatively.
_SAME_SPEED = 3.0
_SAME_SPEED_LEAST = 0.01

#: No more than this share of what an ammeter shows is too much.
_LARGEST_SHARE = 0.99

#: So many instruments are named that could explain a difference.
_MOST_NAMED = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class _Told:
    """A fault in words, without its place in the order."""

    kind: str
    where: str
    says: str
    suggestion: str
    severity: Severity = "error"


class _Teller:
    """What is needed to put a verdict into words."""

    def __init__(self, bench: Bench, explained: Explained) -> None:
        self.bench, self.explained = bench, explained
        self.sheets = sheets_of(bench)
        self.rows = explained.joint.problem.assembled.rows
        free = explained.joint.problem.free
        machine, _ = machine_allowing(explained)
        self.full = np.zeros(len(explained.joint.problem.conditions.full(machine)))
        self.full[list(free)] = machine

    def sheet(self, verdict: Verdict) -> Sheet:
        """The sheet that a verdict is about."""
        row = verdict.suspicion.rows[0]
        return next(each for each in self.sheets if row in each.rows)

    def size(self, verdict: Verdict) -> tuple[float, float]:
        """In its own unit, with its uncertainty."""
        return size_of(self.explained, verdict)

    def numbers(self, verdict: Verdict) -> list[int]:
        """Rows as a spreadsheet shows them."""
        return [int(self.rows.row[row]) for row in verdict.suspicion.rows]

    def speeds(self, verdict: Verdict) -> FloatArray:
        """Of its rows, as shown. [rad/s]"""
        return np.asarray(np.abs(self.rows.shown[verdict.suspicion.rows, 1]))


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
    teller = _Teller(bench, explained)
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


def _group(teller: _Teller, verdict: Verdict, alike: tuple[Verdict, ...]) -> _Told:  # noqa: ARG001
    size, deviation = teller.size(verdict)
    numbers, file = teller.numbers(verdict), verdict.suspicion.file
    speed = float(np.mean(teller.speeds(verdict)))
    wanted = speed * (1.0 - size)
    belongs = _other_setting(teller, verdict, wanted, deviation * speed)
    return _Told(
        kind="wrong-setting",
        where=f"{file}:{','.join(map(str, numbers))}",
        says=(
            f"{file}, rows {numbers[0]} to {numbers[-1]} share a speed that does not fit: "
            f"{speed / RPM:.0f} rpm, where {wanted / RPM:.0f} rpm would "
            f"(+- {deviation * speed / RPM:.1g}){belongs}. They are off by "
            f"{abs(verdict.score):.1f} times what the others allow."
        ),
        suggestion=(
            "Look at your notes: of which setting are these rows? Correct their speed, or take "
            "them again."
        ),
    )


def _other_setting(teller: _Teller, verdict: Verdict, wanted: float, doubt: float) -> str:
    for group in groups_of(teller.sheet(verdict)):
        if set(group.tolist()) == set(verdict.suspicion.rows.tolist()):
            continue
        speed = float(np.mean(np.abs(teller.rows.shown[group, 1])))
        if abs(speed - wanted) <= max(_SAME_SPEED * doubt, _SAME_SPEED_LEAST * speed):
            first, last = (int(teller.rows.row[row]) for row in (group[0], group[-1]))
            rows = f"rows {first} to {last}" if last > first else f"row {first}"
            return f", which is that of {rows}"
    return ""


def _step(teller: _Teller, verdict: Verdict, alike: tuple[Verdict, ...]) -> _Told:
    file, first = verdict.suspicion.file, teller.numbers(verdict)[0]
    shape = verdict.suspicion.shape
    sorts = {each.suspicion.shape for each in alike if each.suspicion.file == file}
    if shape == "speed":
        size, deviation = teller.size(verdict)
        what = (
            f"the voltage is {_percent(size, deviation)} {'lower' if size > 0 else 'higher'} for "
            "its speed than before"
        )
        causes = "a lead that came loose, a belt or tyre that slips, or a meter on another range"
    elif shape == "series":
        what = f"it is as if {_ohms(verdict.size, verdict.deviation)} more lay in series"
        causes = "a lead or contact that came loose, or an ammeter or shunt that reads less"
        if "speed" in sorts:
            causes += ", or a belt that slips"
    else:
        of_shown = min(verdict.size, _LARGEST_SHARE)
        size = of_shown / (1.0 - of_shown)  # of what flows
        deviation = verdict.deviation / (1.0 - of_shown) ** 2
        what = (
            f"the ammeter shows {_percent(size, deviation)} "
            f"{'more' if size > 0 else 'less'} than before"
        )
        causes = "a shunt, a range or a battery of the ammeter that changed"
    return _Told(
        kind="step",
        where=f"{file}:{first}",
        says=(
            f"{file}: from row {first} on {what}. That is {abs(verdict.score):.1f} times its "
            "uncertainty."
        ),
        suggestion=f"Look for {causes}; then take the rows from {first} on again.",
    )


def _sheet(teller: _Teller, verdict: Verdict, alike: tuple[Verdict, ...]) -> _Told:
    choice = [verdict, *(each for each in alike if each.suspicion.family == "sheet")]
    doubted = _against_resistors(teller.bench)
    # where volts over amps are not the resistors' either, that sheet's ammeter is to blame
    choice.sort(
        key=lambda each: (
            not (each.suspicion.file in doubted and each.suspicion.shape == "current-zero")
        )
    )
    first, *others = choice
    file = first.suspicion.file
    says = f"{file} and the other tests disagree: {_difference(teller, first)}"
    if file in doubted:
        says += ", and volts over amps are not its resistors'"
    elif others:
        says += f"; or {_difference(teller, others[0], named=True)}"
    return _Told(
        kind="tests-disagree",
        where=file,
        says=f"{says}. That is {abs(verdict.score):.1f} times what the meters allow.",
        suggestion=_COUNT if _marks(teller, first) else _instruments(teller, first),
    )


_COUNT = (
    "Count turns by hand for half a minute at a slow speed and compare with the speed meter; then "
    "correct the speeds of that sheet."
)


def _marks(teller: _Teller, verdict: Verdict) -> str:
    """The factor of wrongly counted marks that a sheet's speeds are off by; "" where none is."""
    if verdict.suspicion.shape != "speed":
        return ""
    ratio = 1.0 - teller.size(verdict)[0]
    near = (name for factor, name in _MARKS.items() if abs(ratio / factor - 1) < _MARKS_WITHIN)
    return next(near, "")


def _against_resistors(bench: Bench) -> set[str]:
    """Sheets whose volts over amps are not what is written of their resistors."""
    return {
        each.where.partition(":")[0] for each in bench.findings if each.kind == "load-disagrees"
    }


def _difference(teller: _Teller, verdict: Verdict, *, named: bool = False) -> str:
    """How one sheet differs from the others."""
    where = f"in {verdict.suspicion.file}" if named else "there"
    size, deviation = teller.size(verdict)
    if verdict.suspicion.shape == "speed":
        if marks := _marks(teller, verdict):
            return (
                f"{where} the volts per rpm are {1.0 - size:.2f} times theirs, near {marks}, as "
                f"when {MARKS} in one of them"
            )
        return (
            f"{where} the volts per rpm are {_percent(size, deviation)} "
            f"{'lower' if size > 0 else 'higher'}"
        )
    if verdict.suspicion.shape == "series":
        resistance = teller.full[R] + size
        if resistance > 0 and not named:
            return (
                f"{where} the winding has {show_number(resistance, deviation)} ohm, in the others "
                f"{show_number(float(teller.full[R]), deviation)} ohm"
            )
        return f"{where} {_ohms(abs(size), deviation)} {'more' if size > 0 else 'less'} in series"
    return (
        f"{where} it is as if the ammeter showed {show_number(abs(size), deviation)} A too "
        f"{'much' if size > 0 else 'little'}"
    )


def _instruments(teller: _Teller, verdict: Verdict) -> str:
    """What differs between one sheet and the others, and could explain a difference."""
    influence = teller.explained.joint.problem.conditions.influence
    touches = (
        np.any(influence.gain != 0.0, axis=1)
        | np.any(influence.offset != 0.0, axis=1)
        | (influence.load != 0.0)
    )
    here = np.zeros(len(touches), dtype=bool)
    here[teller.sheet(verdict).rows] = True
    apart = touches[here].any(axis=0) != touches[~here].any(axis=0)
    speed = verdict.suspicion.shape == "speed"
    wanted = ("speed", "voltage") if speed else ("current", "load", "voltage")
    named = {
        nuisance.words.removeprefix("gain of the "): wanted.index(nuisance.quantity)
        for nuisance, differs in zip(
            teller.explained.joint.problem.assembled.nuisances, apart, strict=True
        )
        if differs and nuisance.error == "gain" and nuisance.quantity in wanted
    }
    look = "Repeat one reading of each test side by side."
    rest = "belt, marks on the shaft" if speed else "zero of the ammeter, leads, temperature"
    if not named:
        return f"The tests share their meters, so look at what else differs: {rest}. {look}"
    first = sorted(named, key=lambda each: named[each])[:_MOST_NAMED]
    return f"Only one of them has the {', the '.join(first)}: look there, then at {rest}. {look}"


def _heating(teller: _Teller, verdict: Verdict, alike: tuple[Verdict, ...]) -> _Told:
    file = verdict.suspicion.file
    kelvin, doubt = teller.size(verdict)
    order = verdict.suspicion.shape == "heating-in-order"
    when = "by its end" if order else "at the largest current"
    bends = any(each.suspicion.shape == "reaction" for each in alike)
    other = " Armature reaction or a belt that slips would look nearly the same." if bends else ""
    return _Told(
        kind="heating",
        where=file,
        says=(
            f"The winding seems to warm up during {file}: by {show_number(kelvin, doubt)} K "
            f"(+- {doubt:.1g} K) {when}.{other}"
        ),
        suggestion=(
            "Take the large currents quickly and let it cool between, or add a column "
            "winding (degC)."
        ),
        severity="caution",
    )


def _curve(teller: _Teller, verdict: Verdict, alike: tuple[Verdict, ...]) -> _Told:
    size, doubt = teller.size(verdict)
    current = float(np.max(np.abs(teller.explained.joint.problem.conditions.nominal.values[:, 2])))
    evidence = f"That is {abs(verdict.score):.1f} times its uncertainty."
    if verdict.suspicion.shape in ("reaction", "reverse-reaction"):
        falls = verdict.suspicion.shape == "reaction"
        heats = any(each.suspicion.family == "heating" for each in alike)
        warm = ", or a winding that warms up" if heats else ""
        return _Told(
            kind="curved-with-current",
            where="bench",
            says=(
                f"The EMF {'falls' if falls else 'rises'} with the current: by "
                f"{_percent(size * current, doubt * current)} at {current:.3g} A. {evidence}"
            ),
            suggestion=(
                f"Armature reaction, or a belt or tyre that slips under load{warm}: read the "
                "speed at the machine's own shaft to tell. If it stays, fit with --terms "
                "armature-reaction."
                if falls
                else "Brushes off neutral, or an ammeter that is not straight: compare it with "
                "another."
            ),
            severity="caution",
        )
    if verdict.suspicion.shape == "speed-curve":
        return _Told(
            kind="curved-with-speed",
            where="bench",
            says=(
                f"The voltage does not rise in proportion to the speed: "
                f"{_percent(size, doubt)} {'more' if size > 0 else 'less'} at the top than the "
                f"slow readings say. {evidence}"
            ),
            suggestion=(
                "Look for a belt or tyre that slips, and compare the speed meter with a count "
                "by hand at a slow and at a fast speed."
            ),
            severity="caution",
        )
    return _Told(
        kind="loss-curved",
        where="bench",
        says=(
            f"The turning loss bends {'upwards' if size > 0 else 'downwards'} with speed. "
            f"{evidence}"
        ),
        suggestion=(
            "Windage; fit with --terms windage."
            if size > 0
            else "Let the motor settle at each speed before reading, slow speeds too."
        ),
        severity="caution",
    )


def _torque(teller: _Teller, verdict: Verdict, alike: tuple[Verdict, ...]) -> _Told:  # noqa: ARG001
    size, doubt = teller.size(verdict)
    return _Told(
        kind="constants-differ",
        where="bench",
        says=(
            f"Newton metres per ampere are {_percent(size, doubt)} "
            f"{'more' if size > 0 else 'less'} than volts per rad/s, and by energy they are one "
            f"number. That is {abs(verdict.score):.1f} times what the meters allow."
        ),
        suggestion="Check the arm's length, the scale with a known weight, and the speed meter.",
    )


def _percent(size: float, doubt: float) -> str:
    percent = 100 * abs(size)
    return f"{show_number(percent, max(100 * doubt, 0.1 * percent))} %"


def _ohms(size: float, doubt: float) -> str:
    return f"{show_number(size, doubt)} ohm"


_WORDS = {
    "group": _group,
    "step": _step,
    "sheet": _sheet,
    "heating": _heating,
    "curve": _curve,
    "torque": _torque,
}
