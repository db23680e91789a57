"""How a long log is laid out, from its beginning, and a quick way through its plain pieces."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from motorfit.arrays import BoolArray, FloatArray, IntArray
from motorfit.bench.cells import DecimalSign, decimal_sign, decimals_of
from motorfit.bench.clock import steps_back
from motorfit.bench.columns import Column, Layout
from motorfit.bench.encoding import decode
from motorfit.bench.kinds import REMARKS, TEMPERATURES, TestKind
from motorfit.bench.records import ExcludedRow
from motorfit.bench.runs import ABSOLUTE_ZERO, LARGEST, SMALLEST, read_piece, size_in_si
from motorfit.bench.settings import SpeedTable
from motorfit.bench.tables import Sheet, split_table
from motorfit.errors import LocatedError
from motorfit.quantities import read_header

ObjectArray = NDArray[np.object_]

#: Lines of a piece that are looked at for the digits written.
_LOOKED_AT = 32


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """One column of numbers of a log."""

    number: int  # of the cell in its line, counting from 0
    factor: float
    offset: float
    coldest: float  # what is below cannot be


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LogLayout:
    """What the beginning of a long log says of all of it."""

    path: Path
    test: TestKind
    speed: SpeedTable
    beginning: Sheet
    layout: Layout
    header_line: str
    start: int  # byte of the line below the headers
    line_length: float  # bytes, of a usual line of readings
    sign: DecimalSign | None
    width: int  # cells in a usual line
    places: Mapping[str, Place]  # by quantity; a further column by its header behind a blank
    texts: Mapping[str, int]  # cells of setting, direction, note and exclude
    unused: frozenset[int]  # cells that no one reads; any other cell has to be blank
    first_stamp: float  # time of the first reading, as written
    decimals: Mapping[str, int]  # digits written at the beginning, by quantity


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlainPiece:
    """Some lines of a log in which all is as it ought to be."""

    lines: int
    rows: IntArray  # line of each reading in the piece, counting from 0
    time: FloatArray  # from the first reading of the log on [s]
    columns: Mapping[str, FloatArray]  # in SI, with the signs that were written
    decimals: Mapping[str, int]
    texts: Mapping[str, ObjectArray]  # of each reading, by setting, direction and note
    excluded: tuple[ExcludedRow, ...]  # with lines counted as in `rows`


def lay_out_log(
    path: Path, content: bytes, sheet: Sheet, layout: Layout, test: TestKind, speed: SpeedTable
) -> LogLayout | None:
    """Find what is needed to read a log piece by piece from its beginning.

    Parameters
    ----------
    path, content : Path, bytes
        The log and the lines at its beginning.
    sheet, layout : Sheet, Layout
        Of these lines.
    test, speed : TestKind, SpeedTable
        As for `read_runs`.

    Returns
    -------
    LogLayout or None
        None where it is unusual, or has no reading yet.
    """
    start = _start(content, sheet)
    lines = content[start:].split(b"\n")[:-1]
    if start < 0 or not sheet.delimiter or not lines:
        return None
    header_line = decode(path, content[:start]).rstrip("\n").rpartition("\n")[2]
    columns = [*layout.numbers.values(), *layout.extra]
    sign = decimal_sign([column.cells for column in columns], sheet.delimiter)
    piece = read_piece(sheet, test, speed, sign)
    if not len(piece.clock):
        return None
    heads = _cells(header_line, sheet.delimiter)
    places = {
        name: _place(heads, column, speed)
        for name, column in (
            *layout.numbers.items(),
            *((f" {column.header.text}", column) for column in layout.extra),
        )
    }
    return LogLayout(
        path=path,
        test=test,
        speed=speed,
        beginning=sheet,
        layout=layout,
        header_line=header_line,
        start=start,
        line_length=(len(content) - start) / len(lines),
        sign=sign,
        width=1 + int(np.median([line.count(sheet.delimiter.encode()) for line in lines])),
        places=places,
        texts=_texts(heads),
        unused=frozenset(heads.index(column.header.text) for column in layout.unneeded),
        first_stamp=float(np.nan_to_num(piece.clock[0])),  # one that is wrong is told later
        decimals=piece.decimals,
    )


def as_sheet(log: LogLayout, content: str) -> Sheet | None:
    """Some lines of a log below its headers; the first of them is row 2."""
    return split_table(log.path, f"sep={log.beginning.delimiter}\n{log.header_line}\n{content}")


def read_plain(log: LogLayout, content: bytes) -> PlainPiece | None:
    """Read some lines of a log quickly; None where anything in them needs a closer look.

    So it is with remarks, cells too many or too few, cells that are no number or one of
    impossible size, some cells in quotes, and times that run backwards.
    """
    delimiter = log.beginning.delimiter.encode()
    plain = _unquoted(content, delimiter, log.width) if b'"' in content else content
    if plain is None or b"\x00" in plain:
        return None
    if plain[: plain.find(b"\n")].count(delimiter) != log.width - 1:
        return None
    table = _parsed(log, plain, blanks=False) or _parsed(log, plain, blanks=True)
    if table is None:
        return None
    written, texts = table
    lines = len(written["time"])
    kept, excluded = _counted(written, texts.pop("exclude", None))
    if len(kept) < lines:
        written = {name: values[kept] for name, values in written.items()}
        texts = {name: values[kept] for name, values in texts.items()}
    if not _possible(log, written, exponents=b"e" in plain or b"E" in plain):
        return None
    clock = written.pop("time") - log.first_stamp
    back = bool((clock[1:] < clock[:-1]).any())
    if back and len(steps_back(clock, log.decimals["time"], abs(log.first_stamp))):
        return None
    return PlainPiece(
        lines=lines,
        rows=kept,
        time=clock * log.places["time"].factor,
        columns={name: _in_si(log.places[name], values) for name, values in written.items()},
        decimals=_decimals(log, plain),
        texts=texts,
        excluded=excluded,
    )


def _unquoted(content: bytes, delimiter: bytes, width: int) -> bytes | None:
    """The lines without quotes where every cell stands in them and holds no delimiter."""
    end = b"\r\n" if b"\r\n" in content[:4096] else b"\n"
    lines = content.count(b"\n")
    between = lines * (width - 1)
    plain = (
        content.endswith(b'"' + end)
        and content.count(b'"') == 2 * lines * width
        and content.count(b'"' + end + b'"') == lines - 1
        and content.count(b'"' + delimiter + b'"') == between == content.count(delimiter)
    )
    return content.replace(b'"', b"") if plain else None


def _counted(
    written: Mapping[str, FloatArray], reasons: ObjectArray | None
) -> tuple[IntArray, tuple[ExcludedRow, ...]]:
    """Lines with readings that count, and those left out with their reasons."""
    here = np.ones(len(written["time"]), np.bool_)
    if not np.isfinite(written["time"].sum()):
        here = np.any([np.isfinite(values) for values in written.values()], axis=0)
    if reasons is None:
        return np.flatnonzero(here), ()
    out: BoolArray = np.asarray(reasons != "", np.bool_)
    excluded = tuple(
        ExcludedRow(row=row, reason=reasons[row]) for row in np.flatnonzero(here & out).tolist()
    )
    return np.flatnonzero(here & ~out), excluded


def _start(content: bytes, sheet: Sheet) -> int:
    """Byte where the line below the headers begins; -1 where lines and rows differ."""
    lines = sheet.header_row + int(content[:20].lstrip(b'\xef\xbb\xbf"').lower()[:4] == b"sep=")
    start = 0
    for _ in range(lines):
        start = content.find(b"\n", start) + 1
        if not start:
            return -1
    above = content[:start].split(b"\n")[:-1]
    ordinary = all(line.count(b'"') % 2 == 0 and b"\r" not in line[:-1] for line in above)
    return start if ordinary else -1


def _cells(line: str, delimiter: str) -> list[str]:
    return [" ".join(cell.split()) for cell in next(csv.reader([line], delimiter=delimiter))]


def _place(heads: list[str], column: Column, speed: SpeedTable) -> Place:
    return Place(
        number=heads.index(column.header.text),
        factor=size_in_si(column, speed),
        offset=column.header.conversion.offset,
        coldest=ABSOLUTE_ZERO if column.quantity in TEMPERATURES else -LARGEST,
    )


def _texts(heads: list[str]) -> dict[str, int]:
    """Cells of the columns of text; of several notes the last."""
    quantities = {number: read_header(head).quantity for number, head in enumerate(heads) if head}
    return {quantity: number for number, quantity in quantities.items() if quantity in REMARKS}


def _parsed(
    log: LogLayout, content: bytes, *, blanks: bool
) -> tuple[dict[str, FloatArray], dict[str, ObjectArray]] | None:
    """The columns of numbers, and those of text where one holds any.

    None where a cell of numbers is none, or something stands where nothing should.
    """
    import pandas as pd

    names = [str(number) for number in range(log.width)]
    numbers = [names[place.number] for place in log.places.values()]
    try:
        frame = pd.read_csv(
            io.BytesIO(content),
            engine="c",
            sep=log.beginning.delimiter,
            decimal=log.sign or ".",
            header=None,
            names=names,
            index_col=False,
            dtype={name: np.dtype(np.float64) if name in numbers else str for name in names},
            na_filter=blanks,
            keep_default_na=False,
            na_values={name: [""] for name in numbers} if blanks else None,
            skip_blank_lines=False,
            low_memory=False,
        )
    except (ValueError, pd.errors.ParserError):
        return None
    filled = {
        number
        for number, name in enumerate(names)
        if name not in numbers and number not in log.unused and (frame[name] != "").any()
    }
    texts = {}
    if filled:
        texts = {
            quantity: frame[names[number]].str.strip().to_numpy(dtype=object)
            for quantity, number in log.texts.items()
        }
        if not filled <= set(log.texts.values()) or not _readable(log, content, texts):
            return None
    return {n: frame[names[place.number]].to_numpy() for n, place in log.places.items()}, texts


def _readable(log: LogLayout, content: bytes, texts: dict[str, ObjectArray]) -> bool:
    """Whether texts are what they may be; directions are put in small letters, in place."""
    try:
        decode(log.path, content)
    except LocatedError:
        return False
    if "direction" in texts:
        distinct = {text: str(text).lower() for text in set(texts["direction"])}
        texts["direction"] = np.array([distinct[each] for each in texts["direction"]], object)
        return set(distinct.values()) <= {"", "a", "b"}
    return True


def _possible(log: LogLayout, written: Mapping[str, FloatArray], *, exponents: bool) -> bool:
    """Whether every reading is complete, and every number of possible size."""
    blank = {}
    for name, values in written.items():
        if not len(values):
            continue
        low, high = float(values.min()), float(values.max())
        if name == "load" and np.any(values <= 0):
            return False
        if np.isnan(low):
            blank[name] = np.isnan(values)
            low, high = float(np.nanmin(values, initial=0)), float(np.nanmax(values, initial=0))
        first, last = sorted(_in_si(log.places[name], np.array([low, high])))
        if not (log.places[name].coldest <= first and last <= LARGEST and first >= -LARGEST):
            return False
        if exponents:
            size = np.abs(_in_si(log.places[name], values))
            if ((size > 0) & (size < SMALLEST)).any():
                return False
    return not blank or _complete(log.test, set(written), blank)


def _complete(test: TestKind, present: set[str], blank: Mapping[str, np.ndarray]) -> bool:
    """Whether no row lacks what the test needs."""
    for group in test.required:
        options = [option for option in group if option <= present]
        lacking = [
            np.any([blank[name] for name in option if name in blank], axis=0) for option in options
        ]
        if np.any(np.all(lacking, axis=0)):
            return False
    return True


def _in_si(place: Place, values: FloatArray) -> FloatArray:
    if place.factor == 1.0 and place.offset == 0.0:
        return values
    return values * place.factor + place.offset


def _decimals(log: LogLayout, content: bytes) -> dict[str, int]:
    """The finest decimal place in a few lines spread over a piece."""
    delimiter = log.beginning.delimiter
    finest = dict.fromkeys(log.decimals, -99)
    for start in np.linspace(0, max(len(content) - 200, 0), _LOOKED_AT).astype(int):
        begin = content.find(b"\n", start) + 1 if start else 0
        line = content[begin : content.find(b"\n", begin)].decode("latin-1")
        cells = line.split(delimiter)
        if len(cells) < log.width:
            continue
        for name in finest:
            cell = cells[log.places[name].number].strip()
            if cell:
                finest[name] = max(finest[name], decimals_of(cell))
    return finest
