"""From the text of a sheet to rows of cells, numbered as a spreadsheet shows them."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import zip_longest
from pathlib import Path

import numpy as np

from motorfit.arrays import IntArray
from motorfit.errors import BenchError, BenchProblemsError, LocatedError

DELIMITERS = {"\t": "tab", ";": "semicolon", ",": "comma"}

#: A sign of remarks; a formula that failed, as in "#N/A" or "#DIV/0!", is a cell.
_REMARK = re.compile(r"#(?!(?:N/?[AV]|[A-Z/0]+[!?])\s*(?:[,;\t]|$))")
_REMARK_LINE = re.compile(rf"^[^\S\n]*{_REMARK.pattern}.*$", re.MULTILINE)
_DELIMITER_LINE = re.compile(r'\A"?sep=([,;\t])"?\n', re.IGNORECASE)  # spreadsheets hide it
_BARE_NUMBER = re.compile(r"[0-9.,+-]*")
_DECIMAL_POINT = re.compile(r"\s*[+-]?[0-9]*\.[0-9]*\s*")
#: So many rows and no two of one setting: a setting is for several.
_SETTINGS = 3
_LONE_DECIMAL_COMMAS = re.compile(r"\s*[+-]?[0-9]+,[0-9]+\s*")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sheet:
    """A table of text: its headers, its columns, and the remarks around them.

    Every column has one cell a row; wholly blank rows and columns are left out.
    """

    path: Path
    header_row: int
    headers: tuple[str, ...]
    columns: tuple[tuple[str, ...], ...]  # of each header, stripped of blanks around
    rows: IntArray  # the row of each reading, as a spreadsheet shows it
    remarks: tuple[tuple[int, str], ...]  # row, and the text behind "#"
    delimiter: str  # "" where there is one column only

    def __len__(self) -> int:
        return len(self.rows)


def split_table(path: Path, text: str) -> Sheet | None:
    r"""Split the text of a CSV file into a sheet; None where nothing stands in it.

    Comma, semicolon or tab separated, as the header row shows; quoted cells may hold
    any of them and line ends. Lines that begin with ``#`` are remarks wherever they
    stand, and count as rows.

    Parameters
    ----------
    path : Path
        The file the text came from, for messages.
    text : str
        Its text with ``\n`` line ends.

    Raises
    ------
    BenchProblemsError, LocatedError
        If quotes do not close, or rows and headers do not fit together.
    """
    named = _DELIMITER_LINE.match(text)
    if named:
        text = text[named.end() :]
    delimiter = named[1] if named else _delimiter(text)
    remarks: list[tuple[int, str]] = []
    records: list[tuple[int, list[str]]] = []
    for row, cells in _records(path, text, delimiter or ";"):
        if cells and _REMARK.match(cells[0].lstrip()):
            remark = (delimiter or ";").join(cells).strip(f" {delimiter}")
            remarks.append((row, remark.lstrip("#").strip()))
        elif any(cells) and any(cell.strip() for cell in cells):
            records.append((row, cells))
    if not records:
        return None
    header_row, first = records[0]
    headers = [" ".join(cell.split()) for cell in first]
    while headers and not headers[-1]:
        headers.pop()
    if all(_BARE_NUMBER.fullmatch(header) for header in headers):
        raise _no_headers(path, header_row)
    body = records[1:]
    _check_widths(path, headers, len(first), body, delimiter)
    kept = [number for number, header in enumerate(headers) if header]
    columns = _columns([cells for _, cells in body], len(headers))
    return Sheet(
        path=path,
        header_row=header_row,
        headers=tuple(headers[number] for number in kept),
        columns=tuple(columns[number] for number in kept),
        rows=np.array([row for row, _ in body], dtype=np.int64),
        remarks=tuple(remarks),
        delimiter=delimiter,
    )


def count_rows(path: Path, text: str, delimiter: str) -> int:
    """Count the rows of a text as a spreadsheet does, where a quoted cell may hold line ends."""
    if '"' in text:
        return sum(1 for _ in _records(path, text.removesuffix("\n"), delimiter))
    return text.count("\n") + (text != "" and not text.endswith("\n"))


def column_letter(number: int) -> str:
    """Name a column as a spreadsheet does, counting from 0.

    Examples
    --------
    >>> column_letter(0), column_letter(27)
    ('A', 'AB')
    """
    letters = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def _records(path: Path, text: str, delimiter: str) -> Iterator[tuple[int, list[str]]]:
    """Yield row number and cells; a remark line may hold quotes that never close."""
    quiet = _REMARK_LINE.sub(_quoted_remark, text)
    row = 0
    try:
        for cells in csv.reader(
            (line + "\n" for line in quiet.split("\n")), delimiter=delimiter, strict=True
        ):
            row += 1
            yield row, cells
    except csv.Error:
        raise LocatedError(
            path=path,
            row=row + 1,
            found="a quote sign that does not close, or text behind a closing one",
            expected='cells with no quote sign (") or with one at each end',
            remedy='Remove the quote sign; for inches write "in".',
        ) from None


def _quoted_remark(match: re.Match[str]) -> str:
    return '"' + match[0].strip().replace('"', '""') + '"'


def _delimiter(text: str) -> str:
    """Choose what separates the cells: what splits the header row into most of them."""
    lines = [line for line in text.split("\n") if line.strip(" \t,;")]
    lines = [line for line in lines if not _REMARK.match(line.lstrip(' \t"'))]
    if not lines:
        return ","
    counts = {sign: _count_cells(lines[0], sign) for sign in DELIMITERS}
    best = max(counts, key=lambda sign: counts[sign])
    if counts[best] > 1:
        return best
    return _delimiter_of_one_column(lines)


def _delimiter_of_one_column(lines: Sequence[str]) -> str:
    """Choose for a sheet with one header: its commas may be decimal commas."""
    for sign in ("\t", ";"):
        if any(sign in line for line in lines):
            return sign
    with_comma = [line for line in lines[1:] if "," in line]
    alone = all(_LONE_DECIMAL_COMMAS.fullmatch(line) for line in with_comma)
    return "" if alone and "," not in lines[0] else ","


def _count_cells(line: str, delimiter: str) -> int:
    try:
        cells = next(csv.reader([line], delimiter=delimiter))
    except (csv.Error, StopIteration):
        return 0
    return sum(bool(cell.strip()) for cell in cells)


def _columns(rows: Sequence[Sequence[str]], count: int) -> list[tuple[str, ...]]:
    """Turn rows of cells into stripped columns, filling short rows with blanks."""
    columns = [
        tuple(cell.strip() for cell in column) for column in zip_longest(*rows, fillvalue="")
    ]
    blank = ("",) * len(rows)
    return (columns + [blank] * count)[:count]


def _check_widths(
    path: Path,
    headers: Sequence[str],
    header_width: int,
    body: Sequence[tuple[int, list[str]]],
    delimiter: str,
) -> None:
    """Refuse readings without a header, and commas that may be decimal ones."""
    named = {number for number, header in enumerate(headers) if header}
    problems: list[BenchError] = []
    width = len(headers)
    for row, cells in body:
        if len(cells) > width and any(cell.strip() for cell in cells[width:]):
            problems.append(_too_many_cells(path, row, cells, width, delimiter))
    if not problems and len(named) < width:
        problems = _readings_without_header(path, width, named, body)
    if not problems and delimiter == ",":
        problems = _perhaps_decimal_commas(path, headers, header_width, body)
    if problems:
        raise BenchProblemsError(problems)


def _no_headers(path: Path, row: int) -> LocatedError:
    return LocatedError(
        path=path,
        row=row,
        found="numbers",
        expected='a row of headers such as "speed (rpm)" above the readings',
        remedy="Write over each column what it holds, with the unit.",
    )


def _too_many_cells(
    path: Path, row: int, cells: Sequence[str], width: int, delimiter: str
) -> LocatedError:
    filled = max(number for number, cell in enumerate(cells, start=1) if cell.strip())
    remedy = "Give every column a header, or remove what stands behind the last one."
    if delimiter == ",":
        remedy = (
            "If the numbers have decimal commas, save the sheet with semicolons between the "
            "cells; a note with a comma in it needs quote signs."
        )
    return LocatedError(
        path=path,
        row=row,
        found=f"{filled} cells",
        expected=f"at most {width}, as there are headers",
        remedy=remedy,
    )


def _readings_without_header(
    path: Path, width: int, named: set[int], body: Sequence[tuple[int, list[str]]]
) -> list[BenchError]:
    problems: list[BenchError] = []
    for number in sorted(set(range(width)) - named):
        filled = ((row, cells[number]) for row, cells in body if cells[number : number + 1])
        for row, cell in filled:
            if cell.strip():
                problems.append(
                    LocatedError(
                        path=path,
                        row=row,
                        column=column_letter(number),
                        found=f"{shown(cell)} below no header",
                        expected="a header such as speed (rpm)",
                        remedy="Give the column a header, or empty it.",
                    )
                )
                break
    return problems


def _perhaps_decimal_commas(
    path: Path,
    headers: Sequence[str],
    header_width: int,
    body: Sequence[tuple[int, list[str]]],
) -> list[BenchError]:
    """Notice "12,5" that fell into two cells where a spare column had room for it.

    No number has a decimal point then, and digits stand in a cell that would be blank.
    """
    points = any(_DECIMAL_POINT.fullmatch(cell) for _, cells in body for cell in cells)
    if len(headers) < 2 or points:
        return []
    for row, cells in _rows_out_of_step(headers, header_width, body):
        if _last_filled(cells).isascii() and _last_filled(cells).isdigit():
            return [
                LocatedError(
                    path=path,
                    row=row,
                    found=f"{shown(','.join(cells).rstrip(','))}, where commas may be "
                    "decimal commas",
                    expected="decimal points, or semicolons between the cells",
                    remedy="Save the sheet with semicolons between the cells, or write decimal "
                    "points; if these are whole numbers, write one of them like 12.0.",
                )
            ]
    return []


def _rows_out_of_step(
    headers: Sequence[str], header_width: int, body: Sequence[tuple[int, list[str]]]
) -> list[tuple[int, list[str]]]:
    """Rows that may have more cells than were meant.

    Their commas are not those of the header row; or something stands in every cell of a
    column of notes, or another one in every cell of settings with blank columns behind it.
    """
    longest = max((len(cells) for _, cells in body), default=0)
    unequal = any(len(cells) != longest for _, cells in body) or longest > header_width
    of_notes = headers[min(longest, len(headers)) - 1].lower() == "note"
    settings = headers[2:3] == ["setting"] and _each_its_own(headers, body)

    def out_of_step(cells: Sequence[str]) -> bool:
        if (unequal or of_notes) and len(cells) == longest and cells[-1].strip():
            return True
        return any(cell.strip() for cell in cells[2:]) and (len(cells) != header_width or settings)

    return [(row, cells) for row, cells in body if out_of_step(cells)]


def _each_its_own(headers: Sequence[str], body: Sequence[tuple[int, list[str]]]) -> bool:
    """Whether the third of more columns has another cell in every row, and the rest none."""
    third = {cells[2].strip() for _, cells in body if len(cells) > 2}
    behind = any(cell.strip() for _, cells in body for cell in cells[3:])
    return len(headers) > 3 and not behind and len(third) == len(body) >= _SETTINGS


def _last_filled(cells: Sequence[str]) -> str:
    return next((cell.strip() for cell in reversed(cells) if cell.strip()), "")


def shown(cell: str, longest: int = 40) -> str:
    """Quote what was found, shortened where it is long."""
    text = cell if len(cell) <= longest else cell[: longest - 3] + "..."
    return f"'{text}'"
