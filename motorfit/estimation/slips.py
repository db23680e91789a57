"""Which slip of the pen would make a reading fit: tried one by one, never corrected."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.bench.records import Bench, Run
from motorfit.errors import MotorfitError
from motorfit.estimation.conditions import BrushedConditions
from motorfit.estimation.ground import Sheet, sheets_of
from motorfit.estimation.judging import with_directions
from motorfit.estimation.resistors import resistor_ratio
from motorfit.estimation.rows import CURRENT, SPEED, TORQUE, VOLTAGE, Rows
from motorfit.estimation.scatter import project
from motorfit.estimation.search import Explained
from motorfit.quantities import read_quantity
from motorfit.unit_tables import RPM

#: A corrected reading fits within this many of its own standard deviations, for one
#: equation and for two: chance 0.003.
_FITS = {1: 9.0, 2: 11.8}

#: Two corrections are as good as each other within this difference of squared deviations.
_AS_GOOD = 4.0

#: What is likelier than the others, in squared deviations: a minus sign among readings that
#: have none speaks for itself; the reading of the next row often fits by chance.
_EXPECTED = {"sign": 12.0, "neighbour": -4.0}

#: Volts over amps of a resistor repeat to about this, relatively.
_RESISTOR = 0.015

#: More than this many squared deviations say no more than that it does not fit.
_ENOUGH = 16.0

#: Units that a column without a header of its own is told in.
_UNITS: dict[str, tuple[str, float]] = {
    "voltage": ("V", 1.0),
    "current": ("A", 1.0),
    "speed": ("rpm", RPM),
    "load": ("ohm", 1.0),
    "torque": ("N m", 1.0),
    "force": ("N", 1.0),
}

_AXIS = {"voltage": VOLTAGE, "speed": SPEED, "current": CURRENT, "torque": TORQUE, "force": TORQUE}


@dataclass(frozen=True, slots=True, kw_only=True)
class Slip:
    """One correction of a row that would fit."""

    sort: str  # "digits", "point", "sign", "neighbour", "exchanged", "resistor"
    values: tuple[tuple[str, float], ...]  # column and what would stand there, SI magnitude
    other_row: int | None = None  # whose reading it is, as a spreadsheet shows it
    misfit: float = np.inf  # squared deviations that are left


def likely_slips(
    bench: Bench, explained: Explained, row: int, doubtful: tuple[int, ...] = ()
) -> tuple[Slip, ...]:
    """Corrections of one row that would make it fit, the best first.

    Parameters
    ----------
    bench : Bench
        The readings as written.
    explained : Explained
        What was found.
    row : int
        Of the bench: the one that does not fit.
    doubtful : tuple of int
        Other rows that do not fit: readings may have changed places with them.

    Returns
    -------
    tuple of Slip
        Empty where no slip fits; two where both do as well as each other.
    """
    sheet = next(each for each in sheets_of(bench) if row in each.rows)
    place = int(row - sheet.rows[0])
    nearby = {place - 1, place + 1} | {int(other - sheet.rows[0]) for other in doubtful}
    others = sorted(each for each in nearby if 0 <= each < len(sheet.rows) and each != place)
    tried = list(_corrections(bench, sheet.run, place, others))
    if not tried:
        return ()
    misfit = _misfits(explained, sheet, place, tried)
    equations = int(explained.joint.problem.conditions.present[row].sum())
    expected = np.array([_EXPECTED.get(slip.sort, 0.0) for slip in tried])
    if doubtful:  # then readings of these rows may well have changed places
        expected = np.maximum(expected, 0.0)
    fits = misfit <= _FITS[equations] + np.maximum(expected, 0.0)
    rank = misfit + _resistor_misfits(sheet.run, place, tried) - expected
    best = float(np.min(np.where(fits, rank, np.inf)))
    good = np.flatnonzero(fits & (rank <= best + _AS_GOOD))
    chosen: list[Slip] = []
    for each in good[np.argsort(rank[good], kind="stable")]:
        slip = replace(tried[each], misfit=float(misfit[each]))
        if slip.values not in [other.values for other in chosen]:
            chosen.append(slip)
    return tuple(chosen[:2])


def _corrections(bench: Bench, run: Run, place: int, others: list[int]) -> Iterator[Slip]:
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
    if value * _usual_sign(run, column) < 0:
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


def _usual_sign(run: Run, column: str) -> float:
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


def _misfits(explained: Explained, sheet: Sheet, place: int, tried: list[Slip]) -> FloatArray:
    """Squared deviations of the row, in its own uncertainty, with each correction."""
    problem, row = explained.joint.problem, int(sheet.rows[place])
    residual, predicted = _by_the_others(explained, row)
    shown, load = _as_corrected(problem.conditions.rows, sheet.run, place, row, tried)
    scales = np.exp(explained.scales.log_variance)
    before = _row(explained, row, shown[:1], load[:1])
    present = problem.conditions.present[row]
    theta = explained.joint.solution.theta
    after = _row(explained, row, shown, load)
    there = np.ix_(range(len(shown)), present, present)

    def own(conditions: BrushedConditions) -> FloatArray:
        at = conditions.linearise(theta).sensitivity
        scatter = at @ conditions.reading_covariance(scales) @ at.swapaxes(-1, -2)
        return np.asarray(scatter + conditions.own_variance(theta, scales))

    change = after.linearise(theta).residual - before.linearise(theta).residual
    left = residual + change[:, present]
    shared = predicted - own(before)[0][np.ix_(present, present)]
    variance = own(after)[there] + shared
    return np.asarray(np.einsum("hi,hij,hj->h", left, np.linalg.inv(variance), left))[1:]


def _by_the_others(explained: Explained, row: int) -> tuple[FloatArray, FloatArray]:
    """What is left of a row when all others predict it, with its covariance.

    With P of all rows, :math:`P_{rr}^{-1} (P y)_r` and :math:`P_{rr}^{-1}`.
    """
    joint = explained.joint
    elsewhere = [
        verdict.suspicion.direction
        for verdict in explained.verdicts
        if row not in verdict.suspicion.rows
    ]
    stack = with_directions(joint.stack, elsewhere)
    projected = project(stack, explained.scales.log_variance)
    here = np.flatnonzero(np.nonzero(joint.problem.conditions.present)[0] == row)
    block = projected.projection[np.ix_(here, here)]
    block = block + 1e-9 * np.diag(np.diag(projected.weight)[here])
    covariance = np.linalg.inv(block)
    left = covariance @ (projected.projection @ stack.residual)[here]
    return np.asarray(left, float), np.asarray(covariance, float)


def _as_corrected(
    rows: Rows, run: Run, place: int, row: int, tried: list[Slip]
) -> tuple[FloatArray, FloatArray]:
    """What the row shows as it is, then with each correction: readings and load."""
    shown = np.repeat(rows.shown[[row]], len(tried) + 1, axis=0)
    load = np.repeat(rows.load[[row]], len(tried) + 1)
    for number, slip in enumerate(tried, start=1):
        for column, value in slip.values:
            factor = value * _usual_sign(run, column) / float(run.get(column)[place])
            if column == "load":
                load[number] *= factor
            else:
                shown[number, _AXIS[column]] *= factor
    return shown, load


def _row(explained: Explained, row: int, shown: FloatArray, load: FloatArray) -> BrushedConditions:
    """Condition equations of one row, once for each of several readings of it."""
    problem = explained.joint.problem
    old = problem.conditions
    repeated = np.full(len(shown), row)
    patterns = problem.assembled.patterns[:, repeated] * _louder(shown)
    return BrushedConditions(
        replace(old.rows.part(repeated), shown=shown, load=load),
        old.influence.part(repeated),
        free=problem.free,
        thermal=old.thermal,
        brush_current_scale=old.brush_current_scale,
        patterns=patterns,
        friction=problem.assembled.friction,
    )


def _louder(shown: FloatArray) -> FloatArray:
    """By how much a larger reading scatters more than the first, (h, 4)."""
    first = np.abs(shown[:1])
    ratio = np.divide(np.abs(shown), first, out=np.ones_like(shown), where=first > 0)
    return np.asarray(np.maximum(ratio, 1e-3))


def _resistor_misfits(run: Run, place: int, tried: list[Slip]) -> FloatArray:
    """Whether volts over amps are those of the resistor, where other rows tell it."""
    usual = resistor_ratio(run, place)
    none = np.zeros(len(tried))
    if usual is None:
        return none
    for number, slip in enumerate(tried):
        values = dict(slip.values)
        voltage, current = (
            values.get(name, abs(float(run.get(name)[place]))) for name in ("voltage", "current")
        )
        off = np.log(voltage / current / usual) / _RESISTOR
        none[number] = min(off**2, _ENOUGH)
    return none
