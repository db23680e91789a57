"""Slips that touch many readings of a sheet; where one has a size, 1 is plain to see."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from motorfit.arrays import FloatArray, IntArray
from motorfit.bench.records import Bench, Run
from motorfit.simulation.slips import (
    DRIVEN,
    ELECTRIC,
    Slip,
    readings_of,
    rounded_again,
    with_column,
)


def loose_lead(bench: Bench, rng: np.random.Generator, size: float) -> Slip | None:
    """From one row of a sheet on, a bad contact lies between machine and meters."""
    lost = 0.15 * size
    for run, _, _ in readings_of(bench, rng, ("load",), ("voltage",)):
        start = _somewhere_inside(run, rng)
        after = run
        for quantity in ("voltage", "current"):
            if quantity in run.readings:
                after = with_column(after, quantity, _from(start, 1.0 - lost, run, quantity))
        says = (
            f"A lead was loose from row {run.rows[start]} on: "
            f"{100 * lost:.3g} % of the voltage stayed in it."
        )
        after = rounded_again(after, run, bench, "voltage", "current")
        return Slip(run, after, "voltage", says)
    return None


def shunt_changed(bench: Bench, rng: np.random.Generator, size: float) -> Slip | None:
    """From one row of a sheet on, the ammeter's shunt shows too much."""
    more = 0.1 * size
    for run, _, _ in readings_of(bench, rng, ELECTRIC, ("current",)):
        start = _somewhere_inside(run, rng)
        after = with_column(run, "current", _from(start, 1.0 + more, run, "current"))
        says = (
            f"The shunt of the ammeter changed at row {run.rows[start]}: "
            f"from there on it shows {100 * more:.3g} % too much."
        )
        return Slip(run, rounded_again(after, run, bench, "current"), "current", says)
    return None


def slipping_belt(bench: Bench, rng: np.random.Generator, size: float) -> Slip | None:
    """The speed was read at the drive, and the belt slips under load."""
    slip = 0.05 * size
    for run, _, _ in readings_of(bench, rng, ("load",), ("speed",)):
        if "current" not in run.readings:
            continue
        current = np.abs(run.get("current"))
        more = 1.0 + slip * current / np.max(current)
        after = with_column(run, "speed", run.get("speed") * more)
        says = (
            "The belt slipped under load and the speed was read at the drive: at the largest "
            f"current it is {100 * slip:.3g} % too high."
        )
        return Slip(run, rounded_again(after, run, bench, "speed"), "speed", says)
    return None


def wrong_arm(bench: Bench, rng: np.random.Generator, size: float) -> Slip | None:
    """The brake's arm was measured wrong: every torque is off by the same share."""
    less = 0.15 * size
    for run, column, _ in readings_of(bench, rng, ("brake",), ("torque", "arm")):
        after = with_column(run, column, np.abs(run.get(column)) * (1.0 - less))
        says = f"The arm of the brake was measured wrong: every torque is {100 * less:.3g} % low."
        return Slip(run, rounded_again(after, run, bench, column), column, says)
    return None


def wrong_setting(bench: Bench, rng: np.random.Generator) -> Slip | None:
    """All readings of one setting of the drive stand beside the speed of another."""
    for run, _, place in readings_of(bench, rng, DRIVEN, ("speed",)):
        speed = np.abs(run.get("speed"))
        here, others = _alike(speed, place), np.flatnonzero(np.abs(speed / speed[place] - 1) > 0.1)
        if len(here) < 2 or not len(others):
            continue
        other = _alike(speed, int(others[np.argmin(np.abs(others - place))]))
        changed = speed.copy()
        changed[here] = np.resize(speed[other], len(here))
        after = with_column(run, "speed", changed)
        says = "The readings of one setting stand beside the speed of another."
        return Slip(run, after, "speed", says)
    return None


def _alike(speed: FloatArray, place: int) -> IntArray:
    """Readings whose speed is that of one of them within a twentieth."""
    return np.flatnonzero(np.abs(speed / speed[place] - 1.0) < 0.05)


def _somewhere_inside(run: Run, rng: np.random.Generator) -> int:
    """A place in the middle third of a sheet."""
    third = len(run) // 3
    return int(rng.integers(third, max(third + 1, 2 * third)))


def _from(start: int, factor: float, run: Run, quantity: str) -> FloatArray:
    """A column as shown, multiplied from one place on."""
    factors = np.where(np.arange(len(run)) < start, 1.0, factor)
    return np.asarray(np.abs(run.get(quantity)) * factors)


def columns_swapped(bench: Bench, rng: np.random.Generator) -> Slip | None:
    """Voltage and current of a whole sheet stand in each other's column."""
    for run, _, _ in readings_of(bench, rng, ELECTRIC, ("current",)):
        voltage, current = np.abs(run.get("voltage")), np.abs(run.get("current"))
        after = with_column(with_column(run, "voltage", current), "current", voltage)
        steps = dict(run.written_step)
        steps["voltage"], steps["current"] = steps["current"], steps["voltage"]
        says = "The headers of voltage and current are swapped."
        return Slip(run, replace(after, written_step=steps), "voltage", says)
    return None


def missed_zero(bench: Bench, rng: np.random.Generator, size: float) -> Slip | None:
    """A meter that showed something at zero was not set to zero: a whole sheet is off."""
    for run, _, _ in readings_of(bench, rng, ELECTRIC, ("current",)):
        current = np.abs(run.get("current"))
        too_much = 0.15 * size * float(np.median(current))
        changed = with_column(run, "current", current + too_much)
        after = rounded_again(changed, run, bench, "current")
        says = f"The ammeter was not set to zero: every current is {too_much:.3g} A too high."
        return Slip(run, after, "current", says)
    return None


def marks_counted_twice(bench: Bench, rng: np.random.Generator) -> Slip | None:  # noqa: ARG001
    """The speed meter saw two marks in a turn: every speed of a sheet is doubled."""
    for run in bench.of_kind("open-circuit", "load"):
        after = with_column(run, "speed", 2.0 * run.get("speed"))
        return Slip(run, after, "speed", "The speed meter saw two marks in each turn.")
    return None
