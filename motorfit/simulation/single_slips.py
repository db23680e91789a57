"""Slips in one reading, or in two that changed places."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from motorfit.bench.records import Bench
from motorfit.simulation.slips import ALL, DRIVEN, ELECTRIC, Slip, readings_of, set_reading
from motorfit.simulation.writing import UNIT_SIZE, as_written


def swapped_digits(bench: Bench, rng: np.random.Generator) -> Slip | None:
    """Two neighbouring digits of one reading change places, so that it shows."""
    for run, quantity, place in readings_of(bench, rng, ALL, ("voltage", "speed", "current")):
        text = as_written(quantity, run, bench)[place]
        for changed in _with_swapped_digits(text):
            if abs(float(changed) / float(text) - 1.0) > 0.04:
                after = set_reading(run, quantity, place, float(changed) * UNIT_SIZE[quantity])
                return Slip(run, after, quantity, f"Two digits of {text} were swapped.")
    return None


def _with_swapped_digits(text: str) -> Iterator[str]:
    digits = [place for place, sign in enumerate(text) if sign.isdigit()]
    for left, right in pairwise(digits):
        if text[left] != text[right] and not (left == digits[0] and text[right] == "0"):
            signs = list(text)
            signs[left], signs[right] = signs[right], signs[left]
            yield "".join(signs)


def decimal_point(bench: Bench, rng: np.random.Generator) -> Slip | None:
    """The decimal point of one reading is a place off."""
    for run, quantity, place in readings_of(bench, rng, ALL, ("voltage", "current")):
        value = run.get(quantity)[place]
        factor = 10.0 if rng.uniform() < 0.5 else 0.1
        after = set_reading(run, quantity, place, abs(value) * factor)
        return Slip(run, after, quantity, "The decimal point is one place off.")
    return None


def wrong_row(bench: Bench, rng: np.random.Generator) -> Slip | None:
    """Two readings of one column stand in each other's row."""
    for run, quantity, place in readings_of(bench, rng, DRIVEN, ("voltage", "current")):
        values = np.abs(run.get(quantity))
        apart = np.abs(values / values[place] - 1.0) > 0.1
        others = np.flatnonzero(apart)
        if len(others):
            other = int(others[np.argmin(np.abs(others - place))])
            after = set_reading(run, quantity, place, values[other])
            after = set_reading(after, quantity, other, values[place])
            return Slip(run, after, quantity, "Two readings stand in each other's row.")
    return None


def sign(bench: Bench, rng: np.random.Generator) -> Slip | None:
    """One reading has a minus sign too many."""
    for run, quantity, place in readings_of(bench, rng, ALL, ("voltage", "current")):
        after = set_reading(run, quantity, place, -abs(run.get(quantity)[place]))
        return Slip(run, after, quantity, "One reading has a minus sign too many.")
    return None


def volts_in_amps(bench: Bench, rng: np.random.Generator) -> Slip | None:
    """Voltage and current of one row stand in each other's column."""
    for run, _, place in readings_of(bench, rng, ELECTRIC, ("current",)):
        voltage, current = abs(run.get("voltage")[place]), abs(run.get("current")[place])
        after = set_reading(set_reading(run, "voltage", place, current), "current", place, voltage)
        says = "Volts and amps of this row stand in each other's column."
        return Slip(run, after, "voltage", says)
    return None


def wrong_resistor(bench: Bench, rng: np.random.Generator) -> Slip | None:
    """One row names another resistor than the one that was connected."""
    for run, _, place in readings_of(bench, rng, ("load",), ("load",)):
        load = run.get("load")
        others = [value for value in np.unique(load).tolist() if value != load[place]]
        if others:
            after = set_reading(run, "load", place, others[int(rng.integers(len(others)))])
            return Slip(run, after, "load", "Another resistor was connected than is written.")
    return None
