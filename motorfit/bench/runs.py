"""From a sheet of a known kind of test to runs of readings in SI, with their signs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from motorfit.arrays import BoolArray, FloatArray
from motorfit.bench.cells import Numbers, complain, decimal_sign, read_numbers
from motorfit.bench.columns import Column, Layout, chosen_meters, lay_out
from motorfit.bench.kinds import KINDS, QUANTITIES, TEMPERATURES, TestKind
from motorfit.bench.records import ExcludedRow, Run
from motorfit.bench.settings import SpeedTable
from motorfit.bench.signs import consumer_signs, written_as_magnitudes
from motorfit.bench.tables import Sheet, shown
from motorfit.errors import BenchError, BenchProblemsError, LocatedError
from motorfit.finding import Finding
from motorfit.meter import Instrument

#: One table of driven readings, connected or not: rows without current or load are open circuit.
DRIVEN = replace(
    KINDS["load"],
    title="table of driven readings",
    required=KINDS["open-circuit"].required,
    optional=KINDS["load"].optional | {"current", "load"},
)

_ABSOLUTE_ZERO = -273.15  # [degC]

#: Sizes in SI beyond which a number other than zero is a slip, whatever it is of.
_SMALLEST, _LARGEST = 1e-15, 1e12


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
class _Body:
    """The rows of a sheet that count, with their numbers as written."""

    sheet: Sheet
    layout: Layout
    places: Sequence[int]  # of the rows in the sheet
    numbers: Mapping[str, Numbers]  # by quantity
    extra: Mapping[str, Numbers]  # by header

    @property
    def filled(self) -> Mapping[str, BoolArray]:
        return {name: numbers.filled for name, numbers in self.numbers.items()}

    def row(self, place: int) -> int:
        return int(self.sheet.rows[self.places[place]])


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
        With everything that is wrong with the headers; or, where they are right,
        with the cells.
    """
    layout = lay_out(sheet, test)
    meters = chosen_meters(sheet, instruments)
    kept, excluded = _counted_rows(sheet, layout)
    if not kept and not excluded:
        return SheetReadings(runs=(), findings=(), filled_in=False)
    findings = [*_notes_on_columns(sheet, layout)]
    if not kept:
        findings.append(_all_excluded(sheet, excluded))
        return SheetReadings(runs=(), findings=tuple(findings), filled_in=True)
    body, problems = _read_body(sheet, layout, kept)
    direction = _directions(body, problems)
    problems += _blank_cells(body, test)
    readings, extra = _in_si(body, speed, problems)
    if problems:
        raise BenchProblemsError(problems)
    of = {column.header.text: column.quantity for column in layout.extra}
    notes = written_as_magnitudes(
        readings, extra, of, direction, kind=test.name, file=sheet.path.name
    )
    consumer_signs(readings, extra, of, test)
    run = Run(
        kind=test.name,
        source=sheet.path,
        rows=sheet.rows[list(kept)],
        readings=readings,
        extra=extra,
        written_step={
            name: 10.0**-numbers.decimals * abs(_factor(layout.numbers[name], speed))
            for name, numbers in body.numbers.items()
            if name in readings
        },
        meters=meters,
        setting=_texts(layout, "setting", kept),
        direction=direction,
        note=_texts(layout, "note", kept),
        excluded=excluded,
    )
    runs = split_driven(run) if test is DRIVEN else (run,)
    return SheetReadings(
        runs=runs,
        findings=(*findings, *notes),
        filled_in=True,
        displayed={
            (name, meters.get(name, "")): abs(_factor(layout.numbers[name], speed))
            for name in readings
        },
    )


def split_driven(run: Run) -> tuple[Run, ...]:
    """Split driven readings into those with nothing connected and those under load.

    Nothing is connected where neither a current other than zero nor a load is given.
    """
    current, load = run.get("current"), run.get("load")
    connected = (np.isfinite(current) & (current != 0.0)) | np.isfinite(load)
    parts = []
    if not connected.all():
        parts.append(
            replace(_rows_of(run, ~connected, without=("current", "load")), kind="open-circuit")
        )
    if connected.any():
        parts.append(_rows_of(run, connected))
    first, *others = parts
    return (first, *(replace(other, excluded=()) for other in others))


def _rows_of(run: Run, chosen: BoolArray, *, without: tuple[str, ...] = ()) -> Run:
    def of(texts: Sequence[str]) -> tuple[str, ...]:
        return tuple(text for text, here in zip(texts, chosen, strict=True) if here)

    return replace(
        run,
        rows=run.rows[chosen],
        readings={
            name: values[chosen]
            for name, values in run.readings.items()
            if name not in without and np.isfinite(values[chosen]).any()
        },
        written_step={name: step for name, step in run.written_step.items() if name not in without},
        extra={name: values[chosen] for name, values in run.extra.items()},
        setting=of(run.setting),
        direction=of(run.direction),
        note=of(run.note),
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


def _read_body(sheet: Sheet, layout: Layout, kept: list[int]) -> tuple[_Body, list[BenchError]]:
    columns = [*layout.numbers.values(), *layout.extra]
    whole = len(kept) == len(sheet)
    cells = [
        column.cells if whole else tuple(column.cells[place] for place in kept)
        for column in columns
    ]
    sign = decimal_sign(cells, sheet.delimiter)
    numbers = [read_numbers(column, sign) for column in cells]
    first = len(layout.numbers)
    body = _Body(
        sheet=sheet,
        layout=layout,
        places=kept,
        numbers=dict(zip(layout.numbers, numbers[:first], strict=True)),
        extra={c.header.text: n for c, n in zip(layout.extra, numbers[first:], strict=True)},
    )
    problems: list[BenchError] = []
    for column, texts, read in zip(columns, cells, numbers, strict=True):
        for place in read.wrong:
            complaint = complain(texts[place], sign, column.header)
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


def _directions(body: _Body, problems: list[BenchError]) -> tuple[str, ...]:
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


def _blank_cells(body: _Body, test: TestKind) -> list[BenchError]:
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
    body: _Body, place: int, blank: str, options: Sequence[frozenset[str]], test: TestKind
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


def _in_si(
    body: _Body, speed: SpeedTable, problems: list[BenchError]
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
    body: _Body,
    column: Column,
    numbers: Numbers,
    speed: SpeedTable,
    problems: list[BenchError],
) -> FloatArray:
    with np.errstate(over="ignore", under="ignore"):
        values = numbers.values * _factor(column, speed) + column.header.conversion.offset
        size = np.abs(values)
    impossible = (size > _LARGEST) | ((size > 0) & (size < _SMALLEST))
    if column.quantity in TEMPERATURES:
        impossible |= values < _ABSOLUTE_ZERO
    problems.extend(
        LocatedError(
            path=body.sheet.path,
            row=body.row(place),
            column=column.header.text,
            found=shown(column.cells[body.places[place]]),
            expected="a number of possible size",
            remedy="Check the number, and the unit in the header.",
        )
        for place in np.flatnonzero(impossible).tolist()
    )
    return np.asarray(values, dtype=np.float64)


def _factor(column: Column, speed: SpeedTable) -> float:
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


def _notes_on_columns(sheet: Sheet, layout: Layout) -> list[Finding]:
    """Say which columns were read and are not used."""
    notes = [_note_on_unneeded(sheet, column) for column in layout.unneeded if any(column.cells)]
    notes += [
        Finding(
            kind="second-column",
            where=sheet.path.name,
            says=f'"{column.header.text}" is a second column of {column.quantity}: '
            f'"{layout.numbers[column.quantity].header.text}" is used.',
            severity="note",
        )
        for column in layout.extra
    ]
    return notes


def _note_on_unneeded(sheet: Sheet, column: Column) -> Finding:
    name = sheet.path.name
    flowing = column.quantity in ("current", "load") and any(
        cell.strip("0.,+- ") for cell in column.cells
    )
    if flowing and "circuit" in name.lower():
        return Finding(
            kind="open-circuit-under-load",
            where=name,
            says=f'"{column.header.text}" has readings, so these rows may not be open circuit. '
            "The column is not used.",
            suggestion="Move rows with something connected into load.csv.",
        )
    return Finding(
        kind="unneeded-column",
        where=name,
        says=f'"{column.header.text}" is not needed for this test and is not used.',
        severity="note",
    )


def _all_excluded(sheet: Sheet, excluded: Sequence[ExcludedRow]) -> Finding:
    reasons = ", ".join(dict.fromkeys(row.reason for row in excluded))
    return Finding(
        kind="all-rows-excluded",
        where=sheet.path.name,
        says=f"Every row is left out by its exclude column ({shown(reasons)}).",
        suggestion="Empty the exclude cell of each row that is to count.",
    )
