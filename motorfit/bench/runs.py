"""From a sheet of a known kind of test to runs of readings in SI, with their signs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from motorfit.arrays import FloatArray, IntArray
from motorfit.bench.cells import (
    DecimalSign,
    Numbers,
    complain,
    complain_briefly,
    decimal_sign,
    read_numbers,
)
from motorfit.bench.columns import Column, Layout, chosen_meters, lay_out
from motorfit.bench.driven import DRIVEN, split_driven
from motorfit.bench.kinds import TEMPERATURES, TestKind, drive_alone
from motorfit.bench.notes import all_excluded, notes_on_columns
from motorfit.bench.records import ExcludedRow, Run
from motorfit.bench.settings import SpeedTable
from motorfit.bench.shaft_remarks import shaft_remarks
from motorfit.bench.sheet_body import (
    Body,
    arms_without_length,
    blank_cells,
    loads_that_tell_no_current,
    times_that_run_backwards,
)
from motorfit.bench.signs import consumer_signs, written_as_magnitudes
from motorfit.bench.tables import Sheet, shown
from motorfit.errors import BenchError, BenchProblemsError, LocatedError
from motorfit.finding import Finding
from motorfit.meter import Instrument

ABSOLUTE_ZERO = -273.15  # [degC]

#: Wrong cells of a column whose remedy is worked out; further ones are only counted later.
_EXPLAINED = 50

#: Sizes in SI beyond which a number other than zero is a slip, whatever it is of.
SMALLEST, LARGEST = 1e-15, 1e12


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetReadings:
    """What came out of one sheet: no run where no reading is in it."""

    runs: tuple[Run, ...]
    findings: tuple[Finding, ...]
    filled_in: bool
    displayed: Mapping[tuple[str, str], float] = field(
        default_factory=dict
    )  # SI size of the unit that each meter showed, by quantity and meter


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PieceReadings:
    """The rows that count of one piece of a long sheet, with the signs they were written with."""

    rows: IntArray
    clock: FloatArray  # time as written
    readings: Mapping[str, FloatArray]  # in SI, by quantity
    extra: Mapping[str, FloatArray]  # in SI, by header
    decimals: Mapping[str, int]  # by quantity
    setting: tuple[str, ...]
    direction: tuple[str, ...]
    note: tuple[str, ...]
    excluded: tuple[ExcludedRow, ...]
    problems: tuple[BenchError, ...]


def read_runs(
    sheet: Sheet,
    test: TestKind,
    *,
    speed: SpeedTable,
    instruments: Mapping[tuple[str, str], Instrument],
) -> SheetReadings:
    """Read a sheet as one run of a test, or a table of driven readings as two.

    Parameters
    ----------
    sheet : Sheet
        Headers and cells.
    test : TestKind
        What the sheet is of; `DRIVEN` splits by whether something was connected.
    speed : SpeedTable
        From what the speed sensor shows to the shaft.
    instruments : mapping
        Those a remark of the sheet can choose from, by quantity and meter.

    Raises
    ------
    BenchProblemsError
        With everything that is wrong with headers and cells.
    """
    shaft = shaft_remarks(sheet.path, sheet.remarks, test)
    if shaft.uncoupled:
        test = drive_alone(test)
    layout, problems = lay_out(sheet, test)
    if problems:
        raise BenchProblemsError([*problems, *_wrong_cells(sheet, layout)])
    meters = chosen_meters(sheet, instruments)
    kept, excluded = _counted_rows(sheet, layout)
    findings = notes_on_columns(sheet, layout)
    if not kept:
        findings = [*findings, all_excluded(sheet, excluded)] if excluded else []
        return SheetReadings(runs=(), findings=tuple(findings), filled_in=bool(excluded))
    run, notes = _read_rows(sheet, layout, test, speed, kept)
    run = replace(
        run,
        meters=meters,
        excluded=excluded,
        added_inertia=shaft.added_inertia,
        uncoupled=shaft.uncoupled,
    )
    return SheetReadings(
        runs=split_driven(run) if test is DRIVEN else (run,),
        findings=(*findings, *notes),
        filled_in=True,
        displayed={
            (name, meters.get(name, "")): abs(size_in_si(layout.numbers[name], speed))
            for name in run.readings
        },
    )


def _read_rows(
    sheet: Sheet, layout: Layout, test: TestKind, speed: SpeedTable, kept: list[int]
) -> tuple[Run, tuple[Finding, ...]]:
    """Read the rows that count, with notes on signs; all wrong cells are told at once."""
    body, problems = _read_body(sheet, layout, kept)
    direction = _directions(body, problems)
    problems += blank_cells(body, test)
    problems += loads_that_tell_no_current(body, test)
    problems += arms_without_length(body)
    problems += times_that_run_backwards(body, test)
    readings, extra = _in_si(body, speed, problems)
    if problems:
        raise BenchProblemsError(problems)
    if test.follows_time:
        readings["time"] = _since_first(body)
    of = {column.header.text: column.quantity for column in layout.extra}
    notes = written_as_magnitudes(
        readings, extra, of, direction, kind=test.name, file=sheet.path.name
    )
    consumer_signs(readings, extra, of, test)
    size = {name: abs(size_in_si(layout.numbers[name], speed)) for name in readings}
    run = Run(
        kind=test.name,
        source=sheet.path,
        rows=sheet.rows[kept],
        readings=readings,
        extra=extra,
        written_step={name: 10.0 ** -body.numbers[name].decimals * size[name] for name in readings},
        units={name: (layout.numbers[name].header.unit, size[name]) for name in readings},
        setting=_texts(layout, "setting", kept),
        direction=direction,
        note=_texts(layout, "note", kept),
    )
    return run, notes


def read_piece(
    sheet: Sheet, test: TestKind, speed: SpeedTable, sign: DecimalSign | None
) -> PieceReadings:
    """Read a piece of a long sheet that follows time, with what is wrong with its cells.

    Parameters
    ----------
    sheet : Sheet
        Of the headers of the whole, which can be read, and some of its rows.
    test, speed : TestKind, SpeedTable
        As for `read_runs`.
    sign : "." or "," or None
        The decimal sign of the whole.
    """
    layout, _ = lay_out(sheet, test)
    kept, excluded = _counted_rows(sheet, layout)
    body, problems = _read_body(sheet, layout, kept, sign)
    direction = _directions(body, problems)
    problems += blank_cells(body, test)
    problems += loads_that_tell_no_current(body, test)
    readings, extra = _in_si(body, speed, problems)
    return PieceReadings(
        rows=sheet.rows[kept],
        clock=body.numbers["time"].values,
        readings=readings,
        extra=extra,
        decimals={name: numbers.decimals for name, numbers in body.numbers.items()},
        setting=_texts(layout, "setting", kept),
        direction=direction,
        note=_texts(layout, "note", kept),
        excluded=excluded,
        problems=tuple(problems),
    )


def _counted_rows(sheet: Sheet, layout: Layout) -> tuple[list[int], tuple[ExcludedRow, ...]]:
    """Tell the rows with readings from those left out; rows of mere notes are neither."""
    reasons = layout.remarks.get("exclude", ("",) * len(sheet))
    cells = [column.cells for column in layout.numbers.values()]
    written = [any(row) for row in zip(*cells, strict=True)] if cells else []
    kept = [place for place, here in enumerate(written) if here and not reasons[place]]
    excluded = tuple(
        ExcludedRow(row=int(sheet.rows[place]), reason=reasons[place])
        for place, here in enumerate(written)
        if here and reasons[place]
    )
    return kept, excluded


def _read_body(
    sheet: Sheet,
    layout: Layout,
    kept: list[int],
    sign: DecimalSign | Literal["find"] | None = "find",
) -> tuple[Body, list[BenchError]]:
    columns = [*layout.numbers.values(), *layout.extra]
    whole = len(kept) == len(sheet)
    cells = [
        column.cells if whole else tuple(column.cells[place] for place in kept)
        for column in columns
    ]
    if sign == "find":
        sign = decimal_sign(cells, sheet.delimiter)
    numbers = [read_numbers(column, sign) for column in cells]
    first = len(layout.numbers)
    body = Body(
        sheet=sheet,
        layout=layout,
        places=kept,
        numbers=dict(zip(layout.numbers, numbers[:first], strict=True)),
        extra={c.header.text: n for c, n in zip(layout.extra, numbers[first:], strict=True)},
    )
    problems: list[BenchError] = []
    for column, texts, read in zip(columns, cells, numbers, strict=True):
        for number, place in enumerate(read.wrong):
            say = complain if number < _EXPLAINED else complain_briefly
            complaint = say(texts[place], sign, column.header)
            problems.append(
                LocatedError(
                    path=sheet.path,
                    row=body.row(place),
                    column=column.header.text,
                    found=complaint.found,
                    expected=complaint.expected,
                    remedy=complaint.remedy,
                )
            )
    return body, problems


def _wrong_cells(sheet: Sheet, layout: Layout) -> list[BenchError]:
    """What is wrong with the cells of the columns that can be read, where others cannot."""
    if not layout.numbers:
        return []
    kept, _ = _counted_rows(sheet, layout)
    body, problems = _read_body(sheet, layout, kept)
    _directions(body, problems)
    return problems


def _directions(body: Body, problems: list[BenchError]) -> tuple[str, ...]:
    cells = [text.lower() for text in _texts(body.layout, "direction", body.places)]
    for place, cell in enumerate(cells):
        if cell not in ("", "a", "b"):
            problems.append(
                LocatedError(
                    path=body.sheet.path,
                    row=body.row(place),
                    column="direction",
                    found=shown(cell),
                    expected="a or b",
                    remedy="Call one direction of rotation a and the other b.",
                )
            )
    return tuple(cells)


def _since_first(body: Body) -> FloatArray:
    """Time from the first reading on, so that a clock that counts from 1970 loses no digits."""
    values = body.numbers["time"].values
    return np.asarray((values - values[0]) * body.layout.numbers["time"].header.conversion.factor)


def _in_si(
    body: Body, speed: SpeedTable, problems: list[BenchError]
) -> tuple[dict[str, FloatArray], dict[str, FloatArray]]:
    """Convert every column that is not blank, once; what becomes impossible is a problem."""
    readings, extra = {}, {}
    for name, column in body.layout.numbers.items():
        if body.numbers[name].filled.any():
            readings[name] = _converted(body, column, body.numbers[name], speed, problems)
    for column in body.layout.extra:
        read = body.extra[column.header.text]
        extra[column.header.text] = _converted(body, column, read, speed, problems)
    return readings, extra


def _converted(
    body: Body,
    column: Column,
    numbers: Numbers,
    speed: SpeedTable,
    problems: list[BenchError],
) -> FloatArray:
    with np.errstate(over="ignore", under="ignore"):
        values = numbers.values * size_in_si(column, speed) + column.header.conversion.offset
        size = np.abs(values)
    impossible = (size > LARGEST) | ((size > 0) & (size < SMALLEST))
    if column.quantity in TEMPERATURES:
        impossible |= values < ABSOLUTE_ZERO
    problems += body.complaints(
        column,
        np.flatnonzero(impossible).tolist(),
        expected="a number of possible size",
        remedy="Check the number, and the unit in the header.",
    )
    return np.asarray(values, dtype=np.float64)


def size_in_si(column: Column, speed: SpeedTable) -> float:
    """Size in SI of one unit of a column, for a speed at the shaft."""
    conversion = column.header.conversion
    if column.quantity != "speed":
        return conversion.factor
    pulses = speed.pulses_per_rev if conversion.pulses else 1.0
    return conversion.factor * speed.ratio / pulses


def _texts(layout: Layout, name: str, places: Sequence[int]) -> tuple[str, ...]:
    cells = layout.remarks.get(name)
    if cells is None:
        return ("",) * len(places)
    return tuple(cells[place] for place in places)
