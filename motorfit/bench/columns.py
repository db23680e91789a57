"""From the headers and remarks of a sheet to what each column holds."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from motorfit.bench.kinds import QUANTITIES, REMARKS, TestKind
from motorfit.bench.tables import Sheet, column_letter, shown
from motorfit.errors import BenchError, BenchProblemsError, LocatedError
from motorfit.meter import Instrument
from motorfit.quantities import Header, UnreadableError, read_header
from motorfit.units import EXAMPLES, SI_UNITS

_METER_REMARK = re.compile(rf"({'|'.join(QUANTITIES)})[\s_-]*meter\s*[:=]\s*(.+)", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of a sheet: what its header says, and its cells."""

    header: Header
    cells: tuple[str, ...]

    @property
    def quantity(self) -> str:
        """What the column holds."""
        return self.header.quantity


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """The columns of a sheet by what they are for."""

    numbers: Mapping[str, Column]  # the first column of each quantity of the test
    extra: tuple[Column, ...]  # further columns of the same quantities
    unneeded: tuple[Column, ...]  # of quantities that the test has no use for
    remarks: Mapping[str, tuple[str, ...]]  # setting, direction, note, exclude: a cell a row


def lay_out(sheet: Sheet, test: TestKind) -> tuple[Layout, list[BenchError]]:
    """Find what each column of a sheet is for.

    Returns
    -------
    layout : Layout
        Of the columns that can be read.
    problems : list of BenchError
        Headers that say nothing or are there twice, columns of the test that are missing.
    """
    columns, problems = _read_headers(sheet)
    numbers: dict[str, Column] = {}
    extra: list[Column] = []
    for column in columns:
        if column.quantity in numbers:
            extra.append(column)
        elif column.quantity not in REMARKS:
            numbers[column.quantity] = column
    problems += _missing(sheet, test, numbers) if not problems else []
    wanted = {name: column for name, column in numbers.items() if name in test.columns}
    layout = Layout(
        numbers=wanted,
        extra=tuple(column for column in extra if column.quantity in wanted),
        unneeded=tuple(column for name, column in numbers.items() if name not in wanted),
        remarks=_remarks(column for column in columns if column.quantity in REMARKS),
    )
    return layout, problems


def chosen_meters(
    sheet: Sheet, instruments: Mapping[tuple[str, str], Instrument]
) -> dict[str, str]:
    """Read remarks such as "voltage meter: B", which choose another meter for a sheet.

    Returns
    -------
    dict
        The name of the meter by quantity; quantities with the usual meter are absent.

    Raises
    ------
    BenchProblemsError
        If there is no such meter.
    """
    meters: dict[str, str] = {}
    problems: list[BenchError] = []
    for row, remark in sheet.remarks:
        match = _METER_REMARK.fullmatch(remark)
        if not match:
            continue
        quantity, name = match[1].lower(), " ".join(match[2].split())
        meter = _meter_named(name, quantity, instruments)
        if meter is None:
            problems.append(_unknown_meter(sheet, row, quantity, name, instruments))
        elif meter:
            meters[quantity] = meter
    if problems:
        raise BenchProblemsError(problems)
    return meters


def _read_headers(sheet: Sheet) -> tuple[list[Column], list[BenchError]]:
    columns: list[Column] = []
    problems: list[BenchError] = []
    for number, text in enumerate(sheet.headers):
        try:
            header = read_header(text)
        except UnreadableError as error:
            problems.append(
                LocatedError(
                    path=sheet.path,
                    row=sheet.header_row,
                    column=text if len(text) <= 40 else column_letter(number),
                    found=error.found,
                    expected=error.expected,
                    remedy=error.remedy,
                )
            )
            continue
        if any(_same(text, other.header.text) for other in columns) and text.lower() != "note":
            problems.append(_twice(sheet, text))
        columns.append(Column(header=header, cells=sheet.columns[number]))
    return columns, problems


def _same(text: str, other: str) -> bool:
    return text.replace(" ", "").lower() == other.replace(" ", "").lower()


def _missing(sheet: Sheet, test: TestKind, present: Collection[str]) -> list[BenchError]:
    """Say which columns of the test are missing, and what to write over them."""
    problems: list[BenchError] = []
    for group in test.required:
        if any(option <= set(present) for option in group):
            continue
        lacking = [sorted(option - set(present), key=QUANTITIES.index) for option in group]
        wanted = " or ".join(" with ".join(option) for option in lacking)
        headers = " or ".join(" and ".join(map(_example, option)) for option in lacking)
        problems.append(
            LocatedError(
                path=sheet.path,
                row=sheet.header_row,
                found=f"no column of {wanted}",
                expected=f"every column of this test ({test.title})",
                remedy=f"Add a column {headers}.",
            )
        )
    armless = "force" in present and "arm" in test.columns and not {"arm", "torque"} & set(present)
    if armless and not problems:
        problems.append(_force_without_arm(sheet))
    return problems


def _remarks(columns: Iterable[Column]) -> dict[str, tuple[str, ...]]:
    """Gather the columns of text; several notes are put together."""
    remarks: dict[str, tuple[str, ...]] = {}
    for column in columns:
        before = remarks.get(column.quantity)
        cells = column.cells
        if before is not None:
            cells = tuple("; ".join(filter(None, pair)) for pair in zip(before, cells, strict=True))
        remarks[column.quantity] = cells
    return remarks


def _meter_named(
    name: str, quantity: str, instruments: Mapping[tuple[str, str], Instrument]
) -> str | None:
    """Find a meter by its name in the kit or by its id; "" is the usual one."""
    wanted = name.casefold()
    for (of, meter), instrument in instruments.items():
        if of == quantity and wanted in (meter.casefold(), instrument.id.casefold()):
            return meter
    return None


def _unknown_meter(
    sheet: Sheet,
    row: int,
    quantity: str,
    name: str,
    instruments: Mapping[tuple[str, str], Instrument],
) -> LocatedError:
    known = [meter for of, meter in instruments if of == quantity and meter]
    expected = f"one of the {quantity} meters in kit.toml: {', '.join(known)}"
    return LocatedError(
        path=sheet.path,
        row=row,
        found=f"{quantity} meter {shown(name)}",
        expected=expected if known else f"a second {quantity} meter in kit.toml",
        remedy=f"Describe it in kit.toml under [instruments.{quantity}.{name}], "
        "or remove this remark for the usual meter.",
    )


def _example(quantity: str) -> str:
    return f'"{quantity} ({EXAMPLES[SI_UNITS[quantity]].split(" ", 1)[-1]})"'


def _twice(sheet: Sheet, text: str) -> LocatedError:
    return LocatedError(
        path=sheet.path,
        row=sheet.header_row,
        column=text,
        found="this column twice",
        expected="each once",
        remedy="Remove one of them, or give one a header of its own.",
    )


def _force_without_arm(sheet: Sheet) -> LocatedError:
    return LocatedError(
        path=sheet.path,
        row=sheet.header_row,
        found="a column of force without its arm",
        expected="force and arm, which make a torque",
        remedy=f"Add a column {_example('arm')}: from the middle of the shaft to the scale.",
    )
