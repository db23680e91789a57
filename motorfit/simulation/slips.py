"""What a slip is, and how a reading is changed as its sheet would have had it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.bench.kinds import Kind
from motorfit.bench.records import Bench, Run
from motorfit.bench.signs import FROM_OUTSIDE
from motorfit.simulation.writing import UNIT_SIZE, as_written

DRIVEN: tuple[Kind, ...] = ("open-circuit", "load")
ELECTRIC: tuple[Kind, ...] = ("load", "no-load-motor", "brake")
ALL: tuple[Kind, ...] = ("open-circuit", "load", "no-load-motor", "brake")


@dataclass(frozen=True, slots=True)
class Slip:
    """A run with something wrong in it."""

    before: Run
    after: Run
    column: str
    says: str


def readings_of(
    bench: Bench, rng: np.random.Generator, kinds: tuple[Kind, ...], quantities: tuple[str, ...]
) -> Iterator[tuple[Run, str, int]]:
    """Every reading of these kinds and quantities that is not zero, in random order."""
    found = [
        (run, quantity, place)
        for run in bench.of_kind(*kinds)
        for quantity in quantities
        if quantity in run.readings
        for place in range(len(run))
        if abs(run.get(quantity)[place]) > 0
    ]
    for number in rng.permutation(len(found)):
        yield found[number]


def set_reading(run: Run, quantity: str, place: int, shown: float) -> Run:
    """The run with one reading changed to what the meter is said to have shown."""
    values = np.abs(run.get(quantity)) * _signs(run, quantity)
    values[place] = shown * _sign_inside(run, quantity)
    return _replaced(run, quantity, values)


def with_column(run: Run, quantity: str, shown: FloatArray) -> Run:
    """The run with a whole column changed to what the meter is said to have shown."""
    return _replaced(run, quantity, shown * _sign_inside(run, quantity))


def _replaced(run: Run, quantity: str, values: FloatArray) -> Run:
    return replace(run, readings={**run.readings, quantity: values})


def _signs(run: Run, quantity: str) -> FloatArray:
    return np.asarray(np.where(np.signbit(run.get(quantity)), -1.0, 1.0))


def _sign_inside(run: Run, quantity: str) -> float:
    """Sign that a positive reading has inside, where a driven machine has currents below zero."""
    return -1.0 if run.test.generating and quantity in FROM_OUTSIDE else 1.0


def rounded_again(after: Run, before: Run, bench: Bench, *quantities: str) -> Run:
    """The run with changed readings rounded as the display would have."""
    for quantity in quantities:
        if quantity in before.readings:
            unit = UNIT_SIZE[quantity]
            unit *= bench.settings.speed.ratio if quantity == "speed" else 1.0
            texts = as_written(quantity, before, bench)
            shown = (np.abs(after.get(quantity)) / unit).tolist()
            places = [len(text.partition(".")[2]) for text in texts]
            shown = [round(value, place) for value, place in zip(shown, places, strict=True)]
            after = with_column(after, quantity, np.array(shown) * unit)
    return after
