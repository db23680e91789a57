"""Physical sense across sheets, and against the label and the settings."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from motorfit.bench.evidence import (
    Evidence,
    any_constant,
    listed,
    mixed_up,
    near,
    open_circuit_constant,
    place,
    relative_doubt,
    together,
    torque_per_ampere,
)
from motorfit.bench.label import label_constants
from motorfit.finding import Finding
from motorfit.unit_tables import RPM, STANDARD_GRAVITY

#: An EMF constant below this is no permanent magnet's: 0.1 V per 1000 rpm. [V s/rad]
_HARDLY_ANY_EMF = 1e-3

#: An EMF constant above this is no machine's, not even behind a gear: 10 V per rpm. [V s/rad]
_TOO_MUCH_EMF = 100.0

#: A speed scale is off by one of these when marks are counted wrongly.
_MARK_FACTORS = {0.5: "1/2", 2.0: "2", 3.0: "3", 1 / 3: "1/3"}


#: A torque is off by one of these where its header has another unit than the scale.
_SCALE_FACTORS = {
    1 / STANDARD_GRAVITY: "9.81, as with newtons under a header in kg or kgf",
    STANDARD_GRAVITY: "1/9.81, as with a force in kg or kgf under a header in newtons",
    1000.0: "1/1000, as with kg under a header in g, or m under one in mm",
    0.001: "1000, as with g under a header in kg, or mm under one in m",
}

#: A label this much further off than it may be is of another machine, or of another shaft.
_ANOTHER_MACHINE = 1.5


def load_above_open_circuit(evidence: Evidence) -> Iterator[Finding]:
    """More volts per rpm under load than with nothing connected."""
    constant = open_circuit_constant(evidence)
    if constant is None:
        return
    for run in evidence.of("load"):
        if mixed_up(run):
            continue
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.abs(run.get("voltage") / run.get("speed")) / constant
        doubts = [relative_doubt(run, name, evidence.instruments) for name in ("speed", "voltage")]
        rows = np.isfinite(ratio) & (ratio > 1.15 + np.sum(doubts, axis=0))
        if rows.any():
            yield Finding(
                kind="load-above-open-circuit",
                where=place(run, rows),
                says=f"Under load the machine gives {float(np.max(ratio[rows])):.2f} times the "
                f"volts per rpm that it gives with nothing connected ({listed(run, rows)}).",
                suggestion="A load only lowers the voltage: look for a slip in the speed or the "
                "voltage of these rows, for marks on the shaft that were counted twice in one of "
                "the two sheets, or for a speed meter read in another unit.",
                damage=18.0,
            )


def almost_no_voltage(evidence: Evidence) -> Iterator[Finding]:
    """A machine that gives hardly any voltage, however fast it is turned."""
    constant = open_circuit_constant(evidence, clear=("speed",))
    if constant is None or constant >= _HARDLY_ANY_EMF:
        return
    run = evidence.of("open-circuit")[0]
    speed, voltage = together(run, "speed", "voltage")
    yield Finding(
        kind="almost-no-voltage",
        where=run.source.name,
        says=f"Hardly any voltage at any speed: {voltage.max():.3g} V at most, at up to "
        f"{speed.max() / RPM:.0f} rpm ({1000 * constant * RPM:.2g} V per 1000 rpm).",
        suggestion="Perhaps it has no permanent magnets (a universal or an induction motor), or "
        "it gives AC and the meter was on DC, or a brush does not touch.",
        severity="error",
        damage=35.0,
    )


def too_much_voltage(evidence: Evidence) -> Iterator[Finding]:
    """More volts for one turn a minute than any machine gives."""
    constant = any_constant(evidence)
    if constant is None or constant <= _TOO_MUCH_EMF:
        return
    run = evidence.of("open-circuit", "no-load-motor")[0]
    speed, voltage = together(run, "speed", "voltage")
    yield Finding(
        kind="too-much-voltage",
        where=run.source.name,
        says=f"{voltage.max():.5g} V at {speed.max() / RPM:.3g} rpm is more than any "
        "machine gives.",
        suggestion="Speed and voltage may stand in each other's column, or the header of one "
        "has another unit than the meter.",
        severity="error",
        damage=40.0,
    )


def constant_against_label(evidence: Evidence) -> Iterator[Finding]:
    """Volts per speed that are off the label's by a factor of a miscount, or by the gear."""
    constant = any_constant(evidence)
    if constant is None:
        return
    for label in label_constants(evidence.settings.claims):
        ratio = constant / label.value
        gear = evidence.settings.machine.gear
        if gear and gear > 1.2 and near(max(ratio, 1 / ratio), gear, label.within):
            yield _off_by_gear(label.text, ratio, gear)
            return
        for factor, name in _MARK_FACTORS.items():
            if near(ratio, factor, label.within):
                yield _off_by_marks(f"the label's ({label.text})", ratio, name, "label")
                return
        if max(ratio, 1 / ratio) > _ANOTHER_MACHINE * label.within:
            yield _another_label(label.text, ratio)
            return


def constant_against_torque(evidence: Evidence) -> Iterator[Finding]:
    """Volts per speed that are off the torque per ampere by a factor of a miscount."""
    constant = any_constant(evidence)
    if constant is None:
        return
    for run in evidence.of("brake", "load"):
        torque_constant = torque_per_ampere(run, evidence.instruments)
        if torque_constant is None:
            continue
        ratio = constant / torque_constant
        for factor, name in _MARK_FACTORS.items():
            if near(ratio, factor, 1.2):
                measured = f"the torque per ampere in {run.source.name}"
                yield _off_by_marks(measured, ratio, name, "torque")
        for factor, name in _SCALE_FACTORS.items():
            if near(ratio, factor, 1.2):
                yield _off_by_scale(run.source.name, ratio, name)


def _off_by_marks(measured: str, ratio: float, name: str, against: str) -> Finding:
    return Finding(
        kind=f"constant-off-{against}",
        where="bench",
        says=f"The volts per rpm are {ratio:.2f} times {measured}: near {name}, as when the "
        "marks on the shaft are counted wrongly.",
        suggestion="Count turns by hand for half a minute at a slow speed and compare with the "
        "speed meter; then correct pulses_per_rev or ratio under [speed].",
        damage=25.0,
    )


def _off_by_scale(file: str, ratio: float, name: str) -> Finding:
    return Finding(
        kind="constant-off-torque",
        where=file,
        says=f"The torque per ampere in {file} is {1 / ratio:.3g} times the volts per rad/s, "
        f"and by energy they are one number: near {name}.",
        suggestion="See in which unit the scale shows, and what the headers of force, arm and "
        "torque say.",
        severity="error",
        damage=30.0,
    )


def _another_label(label: str, ratio: float) -> Finding:
    return Finding(
        kind="unlike-label",
        where="bench",
        says=f"The volts per rpm are {ratio:.2g} times the label's ({label}).",
        suggestion="See whether it is the label of this machine, and whether the speeds in the "
        "sheets and on the label are of the same shaft.",
        severity="note",
    )


def _off_by_gear(label: str, ratio: float, gear: float) -> Finding:
    return Finding(
        kind="gear-counted-twice",
        where="machine.toml",
        says=f"The volts per rpm are {ratio:.3g} times the label's ({label}), and the gear is "
        f"{gear:g}.",
        suggestion="See of which shaft the speeds in the sheets are, and of which the label's "
        "is; set [machine] shaft and [speed] ratio to match.",
        damage=25.0,
    )


def gear_twice(evidence: Evidence) -> Iterator[Finding]:
    """The gear stands in the speed ratio as well."""
    gear, ratio, shaft = (
        evidence.settings.machine.gear,
        evidence.settings.speed.ratio,
        evidence.settings.machine.shaft,
    )
    if gear is None or not max(gear, 1 / gear) > 1.2:
        return
    right_way = gear if shaft == "motor" else 1 / gear
    if near(ratio, right_way, 1.03):
        yield Finding(
            kind="gear-in-speed-ratio",
            where="machine.toml",
            says=f"[speed] ratio = {ratio:g} multiplies every speed, as the gear is {gear:g}.",
            suggestion=f"Right only if the sheets hold the speed of the other shaft. If they "
            f"hold that of the {shaft} already, the gear is counted twice: remove the ratio.",
            severity="note",
        )
    elif near(ratio, 1 / right_way, 1.03):
        yield Finding(
            kind="gear-counted-twice",
            where="machine.toml",
            says=f"[speed] ratio = {ratio:g} with a gear of {gear:g} takes the gear the wrong way: "
            f"shaft is {shaft!r}, whose speed would be {right_way:g} times that of the other.",
            suggestion=f"Set ratio to 1 if the sheets hold the speed of the {shaft}, "
            f"to {right_way:g} if they hold that of the other shaft.",
            damage=25.0,
        )


def speed_not_checked(evidence: Evidence) -> Iterator[Finding]:
    """Nobody says that the speed meter was checked."""
    if evidence.settings.speed.checked.strip() or not any(
        "speed" in run.readings for run in evidence.runs
    ):
        return
    yield Finding(
        kind="speed-not-checked",
        where="machine.toml",
        says="Nothing says that the speed meter was compared with a count by hand. A mark "
        "counted twice makes every result wrong by that factor, and no reading shows it.",
        suggestion="Count 30 turns against a watch once, and write it into [speed] checked.",
        severity="note",
    )
