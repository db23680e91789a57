"""The rows of a sheet that count, and what is wrong in them taken together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from motorfit.arrays import BoolArray
from motorfit.bench.cells import Numbers
from motorfit.bench.clock import ran_backwards, steps_back
from motorfit.bench.columns import Column, Layout
from motorfit.bench.kinds import QUANTITIES, TestKind
from motorfit.bench.tables import Sheet, shown
from motorfit.errors import BenchError, LocatedError


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Body:
    """The rows of a sheet that count, with their numbers as written."""

    sheet: Sheet
    layout: Layout
    places: Sequence[int]  # of the rows in the sheet
    numbers: Mapping[str, Numbers]  # by quantity
    extra: Mapping[str, Numbers]  # by header

    @property
    def filled(self) -> Mapping[str, BoolArray]:
        """Which cells hold something, by quantity."""
        return {name: numbers.filled for name, numbers in self.numbers.items()}

    def row(self, place: int) -> int:
        """As a spreadsheet shows it."""
        return int(self.sheet.rows[self.places[place]])

    def complaints(
        self, column: Column, places: Sequence[int], *, expected: str, remedy: str
    ) -> list[BenchError]:
        """The same complaint of several cells of one column."""
        return [
            LocatedError(
                path=self.sheet.path,
                row=self.row(place),
                column=column.header.text,
                found=shown(column.cells[self.places[place]]),
                expected=expected,
                remedy=remedy,
            )
            for place in places
        ]


def blank_cells(body: Body, test: TestKind) -> list[BenchError]:
    """Find rows in which something that the test needs is blank."""
    filled = body.filled
    problems: list[BenchError] = []
    for group in test.required:
        options = [option for option in group if option <= set(filled)]
        complete = [np.all([filled[name] for name in option], axis=0) for option in options]
        for place in np.flatnonzero(~np.any(complete, axis=0)) if complete else ():
            blank = next(
                name for name in sorted(options[0], key=QUANTITIES.index) if not filled[name][place]
            )
            problems.append(_blank_cell(body, int(place), blank, options, test))
    if {"force", "arm"} <= test.optional & set(filled):
        arm = [frozenset({"arm"})]
        armless = np.flatnonzero(filled["force"] & ~filled["arm"]).tolist()
        problems.extend(_blank_cell(body, place, "arm", arm, test) for place in armless)
    return problems


def _blank_cell(
    body: Body, place: int, blank: str, options: Sequence[frozenset[str]], test: TestKind
) -> LocatedError:
    others = [" and ".join(sorted(option)) for option in options[1:]]
    remedy = "Write the reading; to leave the row out, write the reason into an exclude column."
    if test.name == "load" and blank in ("current", "load"):
        remedy = "Write it; a row taken with nothing connected belongs into open-circuit.csv."
    return LocatedError(
        path=body.sheet.path,
        row=body.row(place),
        column=body.layout.numbers[blank].header.text,
        found="a blank cell",
        expected=" or ".join([f"the {blank}", *others]),
        remedy=remedy,
    )


def loads_that_tell_no_current(body: Body, test: TestKind) -> list[BenchError]:
    """Find rows that have a load in place of a current, which has to be a resistor then."""
    load, current = body.numbers.get("load"), body.numbers.get("current")
    if test.name not in ("load", "coast-down") or load is None:
        return []
    alone = load.filled & (load.values <= 0)
    if current is not None:
        alone &= ~current.filled | (load.values < 0)
    places = np.flatnonzero(alone).tolist()
    if test.name == "coast-down":  # one resistor for the whole run: once is enough
        places = places[:1]
    return body.complaints(
        body.layout.numbers["load"],
        places,
        expected="the value of a resistor, or a current beside it",
        remedy="Write the resistor's value; with the wires joined only an ammeter tells "
        "the current.",
    )


def arms_without_length(body: Body) -> list[BenchError]:
    """Find rows in which a force has no lever, or one that is negative."""
    arm = body.numbers.get("arm")
    if arm is None:
        return []
    return body.complaints(
        body.layout.numbers["arm"],
        np.flatnonzero(arm.filled & (arm.values <= 0)).tolist(),
        expected="a length above zero",
        remedy="Write the distance from the middle of the shaft to the scale.",
    )


def times_that_run_backwards(body: Body, test: TestKind) -> list[BenchError]:
    if not test.follows_time:
        return []
    header, numbers = body.layout.numbers["time"].header, body.numbers["time"]
    known = np.flatnonzero(np.isfinite(numbers.values))
    before = dict(zip(known[1:].tolist(), known[:-1].tolist(), strict=True))
    return [
        ran_backwards(
            body.sheet.path,
            body.row(place),
            header,
            before=float(numbers.values[before[place]]),
            time=float(numbers.values[place]),
            decimals=numbers.decimals,
        )
        for place in steps_back(numbers.values, numbers.decimals).tolist()
    ]
