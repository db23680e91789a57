"""What one usual slip of the pen could have made of a row: every reading that it may have been."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from motorfit.bench.records import Bench, Run
from motorfit.errors import MotorfitError
from motorfit.quantities import read_quantity
from motorfit.unit_tables import RPM

#: Units that a column without a header of its own is told in.
_UNITS: dict[str, tuple[str, float]] = {
    "voltage": ("V", 1.0),
    "current": ("A", 1.0),
    "speed": ("rpm", RPM),
    "load": ("ohm", 1.0),
    "torque": ("N m", 1.0),
    "force": ("N", 1.0),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Slip:
    """One correction of a row that would fit."""

    sort: str  # "digits", "point", "sign", "neighbour", "exchanged", "resistor"
    values: tuple[tuple[str, float], ...]  # column and what would stand there, SI magnitude
    other_row: int | None = None  # whose reading it is, as a spreadsheet shows it


def corrections(bench: Bench, run: Run, place: int, others: list[int]) -> Iterator[Slip]:
    """Everything that one usual slip could have made of the row as it is."""
    columns = [name for name in _UNITS if _used(run, name, place)]
    for column in columns:
        if column == "load":
            yield from _other_resistors(bench, run, place)
        else:
            yield from _misspelt(run, column, place)
            yield from _of_other_rows(run, column, place, others)
    if {"voltage", "current"} <= set(columns):
        # the numbers change places, whatever the units of their columns
        volt, ampere = (unit_of(run, name)[1] for name in ("voltage", "current"))
        voltage, current = (abs(float(run.get(name)[place])) for name in ("voltage", "current"))
        values = (("voltage", current / ampere * volt), ("current", voltage / volt * ampere))
        yield Slip(sort="exchanged", values=values)


def _misspelt(run: Run, column: str, place: int) -> Iterator[Slip]:
    """The same digits, written wrongly."""
    value = float(run.get(column)[place])
    if value * usual_sign(run, column) < 0:
        yield Slip(sort="sign", values=((column, abs(value)),))
    for changed in swapped_digits(value, *_written(run, column)):
        yield Slip(sort="digits", values=((column, changed),))
    for factor in (10.0, 0.1):
        yield Slip(sort="point", values=((column, abs(value) * factor),))


def _of_other_rows(run: Run, column: str, place: int, others: list[int]) -> Iterator[Slip]:
    """A reading that belongs into another row."""
    size = np.abs(run.get(column))
    for other in others:
        if size[other] > 0 and size[other] != size[place]:
            values = ((column, float(size[other])),)
            yield Slip(sort="neighbour", values=values, other_row=int(run.rows[other]))


def _other_resistors(bench: Bench, run: Run, place: int) -> Iterator[Slip]:
    """Another resistor of the sheet or of the shelf."""
    for resistor in _shelf(bench, run):
        if resistor != run.get("load")[place]:
            yield Slip(sort="resistor", values=(("load", resistor),))


def _used(run: Run, column: str, place: int) -> bool:
    """Whether the fit uses this cell: a resistor only where no ammeter was read."""
    value = run.get(column)[place]
    if not np.isfinite(value) or value == 0.0:
        return False
    return column != "load" or not np.isfinite(run.get("current")[place])


def usual_sign(run: Run, column: str) -> float:
    """Sign inside of a column's readings: that of the most of them."""
    return float(np.sign(np.nansum(np.sign(run.get(column))))) or 1.0


def _shelf(bench: Bench, run: Run) -> list[float]:
    """Resistors that may have been connected: those of the sheet, and of the shelf."""
    values = [value for value in run.get("load").tolist() if np.isfinite(value)]
    for text in bench.settings.shelf.resistors:
        try:
            values.append(read_quantity(text.partition("ohm")[0] + "ohm", "load").value)
        except MotorfitError:
            continue
    return sorted(set(values))


def _written(run: Run, column: str) -> tuple[float, int]:
    """Size in SI of the unit of a column, and the decimals it was written with."""
    _, size = unit_of(run, column)
    step = run.written_step.get(column, 0.0) / size
    return size, max(0, round(-np.log10(step))) if step > 0 else 2


def unit_of(run: Run, column: str) -> tuple[str, float]:
    """The unit in which a column was written, and its size in SI."""
    unit, size = run.units.get(column, ("", 0.0))
    return (unit, size) if unit and size > 0 else _UNITS[column]


def swapped_digits(value: float, size: float, decimals: int) -> Iterator[float]:
    """What a reading would be with two neighbouring digits in each other's place.

    Parameters
    ----------
    value : float
        As it is. [SI]
    size : float
        Of the unit it was written in. [SI]
    decimals : int
        With so many it was written.

    Examples
    --------
    >>> list(swapped_digits(13.42, 1.0, 2))
    [31.42, 14.32, 13.24]
    """
    text = f"{abs(value) / size:.{decimals}f}"
    digits = [place for place, sign in enumerate(text) if sign.isdigit()]
    for left, right in pairwise(digits):
        if text[left] != text[right]:
            signs = list(text)
            signs[left], signs[right] = signs[right], signs[left]
            yield float("".join(signs)) * size
