"""Slips to find: one is planted into a bench, and the answer told apart from it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.bench.kinds import Kind
from motorfit.bench.records import Bench, Run
from motorfit.simulation.writing import UNIT_SIZE, as_written

_DRIVEN: tuple[Kind, ...] = ("open-circuit", "load")
_ELECTRIC: tuple[Kind, ...] = ("load", "no-load-motor", "brake")
_ALL: tuple[Kind, ...] = ("open-circuit", "load", "no-load-motor", "brake")


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What was done to a bench, and where."""

    mistake: str
    file: str
    rows: tuple[int, ...]  # as a spreadsheet shows them
    column: str
    was: tuple[str, ...]  # as it would have been written, in the rows' order
    now: tuple[str, ...]
    says: str

    def as_dict(self) -> dict[str, Any]:
        """For an answer key in JSON."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class _Slip:
    """A run with something wrong in it."""

    before: Run
    after: Run
    column: str
    says: str


def plant_mistake(bench: Bench, mistake: str, *, seed: int) -> tuple[Bench, Answer]:
    """Plant one slip into a bench.

    Parameters
    ----------
    bench : Bench
        A bench without it.
    mistake : str
        One of `MISTAKES`.
    seed : int
        Decides where.

    Returns
    -------
    bench : Bench
        With the slip in it.
    answer : Answer
        What it is and where.

    Raises
    ------
    ValueError
        If there is no such mistake, or nothing in the bench that it could be made in.

    Examples
    --------
    >>> from motorfit.simulation.demo import demo_bench
    >>> spoiled, answer = plant_mistake(demo_bench(), "decimal-point", seed=3)
    >>> answer.mistake, len(answer.rows)
    ('decimal-point', 1)
    """
    if mistake not in MISTAKES:
        raise ValueError(f"mistake must be one of {', '.join(MISTAKES)}, found {mistake!r}")
    slip = MISTAKES[mistake](bench, np.random.default_rng(seed))
    if slip is None:
        raise ValueError(f"nothing in this bench lends itself to {mistake!r}")
    runs = tuple(slip.after if run is slip.before else run for run in bench.runs)
    spoiled = replace(bench, runs=runs)
    return spoiled, _answer(mistake, slip, bench)


def _answer(mistake: str, slip: _Slip, bench: Bench) -> Answer:
    before, after = slip.before.get(slip.column), slip.after.get(slip.column)
    changed = np.flatnonzero(~np.isclose(before, after, rtol=1e-12, atol=0.0, equal_nan=True))
    was = as_written(slip.column, slip.before, bench)
    now = as_written(slip.column, slip.after, bench)
    return Answer(
        mistake=mistake,
        file=slip.before.source.name,
        rows=tuple(slip.before.rows[changed].tolist()),
        column=slip.column,
        was=tuple(was[place] for place in changed),
        now=tuple(now[place] for place in changed),
        says=slip.says,
    )


def _swapped_digits(bench: Bench, rng: np.random.Generator) -> _Slip | None:
    """Two neighbouring digits of one reading change places, so that it shows."""
    for run, quantity, place in _readings(bench, rng, _ALL, ("voltage", "speed", "current")):
        text = as_written(quantity, run, bench)[place]
        for changed in _with_swapped_digits(text):
            if abs(float(changed) / float(text) - 1.0) > 0.04:
                after = _set(run, quantity, place, float(changed) * UNIT_SIZE[quantity])
                return _Slip(run, after, quantity, f"Two digits of {text} were swapped.")
    return None


def _with_swapped_digits(text: str) -> Iterator[str]:
    digits = [place for place, sign in enumerate(text) if sign.isdigit()]
    for left, right in pairwise(digits):
        if text[left] != text[right] and not (left == digits[0] and text[right] == "0"):
            signs = list(text)
            signs[left], signs[right] = signs[right], signs[left]
            yield "".join(signs)


def _decimal_point(bench: Bench, rng: np.random.Generator) -> _Slip | None:
    """The decimal point of one reading is a place off."""
    for run, quantity, place in _readings(bench, rng, _ALL, ("voltage", "current")):
        value = run.get(quantity)[place]
        factor = 10.0 if rng.uniform() < 0.5 else 0.1
        after = _set(run, quantity, place, abs(value) * factor)
        return _Slip(run, after, quantity, "The decimal point is one place off.")
    return None


def _wrong_row(bench: Bench, rng: np.random.Generator) -> _Slip | None:
    """Two readings of one column stand in each other's row."""
    for run, quantity, place in _readings(bench, rng, _DRIVEN, ("voltage", "current")):
        values = np.abs(run.get(quantity))
        apart = np.abs(values / values[place] - 1.0) > 0.1
        others = np.flatnonzero(apart)
        if len(others):
            other = int(others[np.argmin(np.abs(others - place))])
            after = _set(run, quantity, place, values[other])
            after = _set(after, quantity, other, values[place])
            return _Slip(run, after, quantity, "Two readings stand in each other's row.")
    return None


def _loose_lead(bench: Bench, rng: np.random.Generator) -> _Slip | None:
    """From one row of a sheet on, a bad contact lies between machine and meters."""
    for run, _, _ in _readings(bench, rng, ("load",), ("voltage",)):
        start = int(rng.integers(len(run) // 3, max(len(run) // 3 + 1, 2 * len(run) // 3)))
        keep = np.where(np.arange(len(run)) < start, 1.0, 0.85)
        after = run
        for quantity in ("voltage", "current"):
            if quantity in run.readings:
                shown = np.abs(run.get(quantity)) * keep
                for place in range(start, len(run)):
                    after = _set(after, quantity, place, shown[place])
        says = f"A lead was loose from row {run.rows[start]} on: 15 % of the voltage stayed in it."
        return _Slip(run, _rounded(after, run, bench), "voltage", says)
    return None


def _sign(bench: Bench, rng: np.random.Generator) -> _Slip | None:
    """One reading has a minus sign too many."""
    for run, quantity, place in _readings(bench, rng, _ALL, ("voltage", "current")):
        after = _set(run, quantity, place, -abs(run.get(quantity)[place]))
        return _Slip(run, after, quantity, "One reading has a minus sign too many.")
    return None


def _volts_in_amps(bench: Bench, rng: np.random.Generator) -> _Slip | None:
    """Voltage and current of one row stand in each other's column."""
    for run, _, place in _readings(bench, rng, _ELECTRIC, ("current",)):
        voltage, current = abs(run.get("voltage")[place]), abs(run.get("current")[place])
        after = _set(_set(run, "voltage", place, current), "current", place, voltage)
        says = "Volts and amps of this row stand in each other's column."
        return _Slip(run, after, "voltage", says)
    return None


def _columns_swapped(bench: Bench, rng: np.random.Generator) -> _Slip | None:
    """Voltage and current of a whole sheet stand in each other's column."""
    for run, _, _ in _readings(bench, rng, _ELECTRIC, ("current",)):
        voltage, current = np.abs(run.get("voltage")), np.abs(run.get("current"))
        after = _with(_with(run, "voltage", current), "current", voltage)
        steps = dict(run.written_step)
        steps["voltage"], steps["current"] = steps["current"], steps["voltage"]
        says = "The headers of voltage and current are swapped."
        return _Slip(run, replace(after, written_step=steps), "voltage", says)
    return None


def _wrong_resistor(bench: Bench, rng: np.random.Generator) -> _Slip | None:
    """One row names another resistor than the one that was connected."""
    for run, _, place in _readings(bench, rng, ("load",), ("load",)):
        load = run.get("load")
        others = [value for value in np.unique(load).tolist() if value != load[place]]
        if others:
            after = _set(run, "load", place, others[int(rng.integers(len(others)))])
            return _Slip(run, after, "load", "Another resistor was connected than is written.")
    return None


def _missed_zero(bench: Bench, rng: np.random.Generator) -> _Slip | None:
    """A meter that showed something at zero was not set to zero: a whole sheet is off."""
    for run, _, _ in _readings(bench, rng, _ELECTRIC, ("current",)):
        current = np.abs(run.get("current"))
        too_much = 0.15 * float(np.median(current))
        after = _rounded(_with(run, "current", current + too_much), run, bench)
        says = f"The ammeter was not set to zero: every current is {too_much:.3g} A too high."
        return _Slip(run, after, "current", says)
    return None


def _marks_counted_twice(bench: Bench, rng: np.random.Generator) -> _Slip | None:  # noqa: ARG001
    """The speed meter saw two marks in a turn: every speed of a sheet is doubled."""
    for run in bench.of_kind("open-circuit", "load"):
        after = _with(run, "speed", 2.0 * run.get("speed"))
        return _Slip(run, after, "speed", "The speed meter saw two marks in each turn.")
    return None


#: Slips by their names; each gives None where the bench has no place for it.
MISTAKES: dict[str, Callable[[Bench, np.random.Generator], _Slip | None]] = {
    "swapped-digits": _swapped_digits,
    "decimal-point": _decimal_point,
    "wrong-row": _wrong_row,
    "loose-lead": _loose_lead,
    "sign": _sign,
    "volts-in-amps": _volts_in_amps,
    "columns-swapped": _columns_swapped,
    "wrong-resistor": _wrong_resistor,
    "missed-zero": _missed_zero,
    "marks-counted-twice": _marks_counted_twice,
}


def _readings(
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


def _set(run: Run, quantity: str, place: int, shown: float) -> Run:
    """The run with one reading changed to what the meter is said to have shown."""
    values = np.abs(run.get(quantity)) * _signs(run, quantity)
    values[place] = shown * _sign_inside(run, quantity)
    return _replaced(run, quantity, values)


def _with(run: Run, quantity: str, shown: FloatArray) -> Run:
    """The run with a whole column changed to what the meter is said to have shown."""
    return _replaced(run, quantity, shown * _sign_inside(run, quantity))


def _replaced(run: Run, quantity: str, values: FloatArray) -> Run:
    return replace(run, readings={**run.readings, quantity: values})


def _signs(run: Run, quantity: str) -> FloatArray:
    return np.asarray(np.where(np.signbit(run.get(quantity)), -1.0, 1.0))


def _sign_inside(run: Run, quantity: str) -> float:
    """Sign that a positive reading has inside, where a driven machine has currents below zero."""
    return -1.0 if run.test.generating and quantity in ("current", "torque") else 1.0


def _rounded(after: Run, before: Run, bench: Bench) -> Run:
    """The run with changed readings rounded as the display would have."""
    for quantity in ("voltage", "current"):
        if quantity in before.readings:
            texts = as_written(quantity, before, bench)
            shown = np.abs(after.get(quantity))
            places = [len(text.partition(".")[2]) for text in texts]
            shown = np.array([round(v, p) for v, p in zip(shown.tolist(), places, strict=True)])
            after = _with(after, quantity, shown)
    return after
