"""Slips to find: one is planted into a bench, and the answer told apart from it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from motorfit.bench.records import Bench
from motorfit.simulation.lasting_slips import (
    columns_swapped,
    loose_lead,
    marks_counted_twice,
    missed_zero,
    shunt_changed,
    slipping_belt,
    wrong_arm,
    wrong_setting,
)
from motorfit.simulation.single_slips import (
    decimal_point,
    sign,
    swapped_digits,
    volts_in_amps,
    wrong_resistor,
    wrong_row,
)
from motorfit.simulation.slips import Slip
from motorfit.simulation.writing import as_written

#: Slips that happen or not; each gives None where the bench has no place for it.
PLAIN: Mapping[str, Callable[[Bench, np.random.Generator], Slip | None]] = {
    "swapped-digits": swapped_digits,
    "decimal-point": decimal_point,
    "wrong-row": wrong_row,
    "sign": sign,
    "volts-in-amps": volts_in_amps,
    "columns-swapped": columns_swapped,
    "wrong-resistor": wrong_resistor,
    "wrong-setting": wrong_setting,
    "marks-counted-twice": marks_counted_twice,
}

#: Slips that have a size.
SIZED: Mapping[str, Callable[[Bench, np.random.Generator, float], Slip | None]] = {
    "loose-lead": loose_lead,
    "missed-zero": missed_zero,
    "shunt-changed": shunt_changed,
    "slipping-belt": slipping_belt,
    "wrong-arm": wrong_arm,
}

MISTAKES = (*PLAIN, *SIZED)


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


def plant_mistake(
    bench: Bench, mistake: str, *, seed: int, size: float = 1.0
) -> tuple[Bench, Answer]:
    """Plant one slip into a bench.

    Parameters
    ----------
    bench : Bench
        A bench without it.
    mistake : str
        One of `MISTAKES`.
    seed : int
        Decides where.
    size : float
        Of those that have one; 1 is plain to see.

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
    rng = np.random.default_rng(seed)
    slip = PLAIN[mistake](bench, rng) if mistake in PLAIN else SIZED[mistake](bench, rng, size)
    if slip is None:
        raise ValueError(f"nothing in this bench lends itself to {mistake!r}")
    runs = tuple(slip.after if run is slip.before else run for run in bench.runs)
    spoiled = replace(bench, runs=runs)
    return spoiled, _answer(mistake, slip, bench)


def _answer(mistake: str, slip: Slip, bench: Bench) -> Answer:
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
