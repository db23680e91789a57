"""Tests that disagree, in words."""

from __future__ import annotations

import numpy as np

from motorfit.bench.records import Bench
from motorfit.estimation.physics import R
from motorfit.estimation.search import Verdict
from motorfit.estimation.telling import Teller, Told, ohms, percent
from motorfit.machine.temperature import temperature_by_resistance
from motorfit.quantities import show_number

#: A speed that is off by one of these looks like marks that were counted wrongly.
_MARKS = {0.5: "1/2", 2.0: "2", 1 / 3: "1/3", 3.0: "3"}
_MARKS_WITHIN = 0.05

#: Words that tell of one sheet's speeds.
MARKS = "marks are counted wrongly"

_OF_A_LOG = {
    "rate": (
        "Look at the unit of its time column, and whether something else was on the shaft or "
        "rubbed. A second run of the same kind tells chance from a slip."
    ),
    "brake": (
        "Measure the resistor that was connected, with its leads, and look at the ammeter's range."
    ),
    "inertia": (
        "Look at what moment_of_inertia is based on, and whether a pulley, a coupling or a disc "
        "was on the shaft while it coasted."
    ),
}

#: A winding of a machine at rest may have temperatures between these. [degC]
_COLDEST, _HOTTEST = -40.0, 200.0

#: So many instruments are named that could explain a difference.
_MOST_NAMED = 2


def sheet_told(teller: Teller, verdict: Verdict, alike: tuple[Verdict, ...]) -> Told:
    """One sheet and the others disagree."""
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
    others_are = "the tests" if first.suspicion.shape == "inertia" else "the other tests"
    says = f"{file} and {others_are} disagree: {_difference(teller, first)}"
    if file in doubted:
        says += ", and volts over amps are not its resistors'"
    elif others:
        says += f"; or {_difference(teller, others[0], named=True)}"
    return Told(
        kind="tests-disagree",
        where=file,
        says=f"{says}. That is {abs(verdict.score):.1f} times what the meters allow.",
        suggestion=_COUNT if _marks(teller, first) else _instruments(teller, first),
    )


_COUNT = (
    "Count turns by hand for half a minute at a slow speed and compare with the speed meter; then "
    "correct the speeds of that sheet."
)


def _marks(teller: Teller, verdict: Verdict) -> str:
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


def _difference(teller: Teller, verdict: Verdict, *, named: bool = False) -> str:
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
            f"{where} the volts per rpm are {percent(size, deviation)} "
            f"{'lower' if size > 0 else 'higher'}"
        )
    if verdict.suspicion.shape == "series":
        resistance = teller.full[R] + size
        if resistance > 0 and not named:
            return (
                f"{where} the winding has {show_number(resistance, deviation)} ohm, in the others "
                f"{show_number(float(teller.full[R]), deviation)} ohm"
                f"{_as_warm(teller, verdict, size, deviation)}"
            )
        return f"{where} {ohms(abs(size), deviation)} {'more' if size > 0 else 'less'} in series"
    if verdict.suspicion.shape == "rate":
        return (
            f"{where} the machine slows down {percent(size, deviation)} "
            f"{'faster' if size > 0 else 'slower'} than its loss and its inertia make it"
        )
    if verdict.suspicion.shape == "brake":
        return (
            f"{where} the current brakes {percent(size, deviation)} "
            f"{'less' if size > 0 else 'more'} than its size as written would"
        )
    if verdict.suspicion.shape == "inertia":
        return (
            f"{where} the moment of inertia is stated {percent(size, deviation)} "
            f"{'larger' if size > 0 else 'smaller'} than they make it"
        )
    return (
        f"{where} it is as if the ammeter showed {show_number(abs(size), deviation)} A too "
        f"{'much' if size > 0 else 'little'}"
    )


def _as_warm(teller: Teller, verdict: Verdict, size: float, deviation: float) -> str:
    """How warm the winding of a held rotor would be to have that resistance, if it may be."""
    if teller.sheet(verdict).run.kind != "resistance":
        return ""
    others, constant = (
        float(teller.full[R]),
        teller.explained.joint.problem.conditions.thermal.winding_constant,
    )
    taken = float(np.mean(teller.rows.winding[verdict.suspicion.rows]))
    warm = float(temperature_by_resistance(others + size, others, taken, constant))
    if not _COLDEST < warm < _HOTTEST:
        return ""
    doubt = deviation / others * (constant + taken)
    return (
        f", as it would if it were at {show_number(warm, doubt)} degC there "
        f"(by resistance, K = {constant:g} K)"
    )


def _instruments(teller: Teller, verdict: Verdict) -> str:
    """What differs between one sheet and the others, and could explain a difference."""
    if verdict.suspicion.shape in _OF_A_LOG:
        return _OF_A_LOG[verdict.suspicion.shape]
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
