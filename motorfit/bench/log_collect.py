"""A long log gathered from its pieces: plain ones, and those that need a closer look."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from motorfit.arrays import IntArray
from motorfit.bench.clock import ran_backwards, steps_back
from motorfit.bench.encoding import decode
from motorfit.bench.log_averages import Averages, averages
from motorfit.bench.log_blocks import Stretches, is_gap, joined
from motorfit.bench.log_layout import LogLayout, as_sheet
from motorfit.bench.log_pieces import LogSizes, Piece, ReadLines, cut
from motorfit.bench.records import ExcludedRow, Run
from motorfit.bench.runs import PieceReadings, SheetReadings, read_piece, read_runs, size_in_si
from motorfit.bench.signs import consumer_signs, written_as_magnitudes
from motorfit.bench.tables import count_rows
from motorfit.errors import BenchError, BenchProblemsError, LocatedError
from motorfit.finding import Finding
from motorfit.meter import Instrument

_PROBLEMS = 20  # of a file that are told one by one
_CAREFULLY = 250_000  # bytes that are read at once as a small sheet is
_FEW = 5  # spikes that are not worth a word
_MOST_KEPT = 1000  # notes, and rows left out, of one log


@dataclass(slots=True, kw_only=True)
class CollectedLog:
    """What has been read of a log so far."""

    log: LogLayout
    sizes: LogSizes
    line: int = 0  # below the headers
    pieces: list[Stretches] = field(default_factory=list)
    behind_gap: list[bool] = field(default_factory=list)
    last: float = np.nan  # time of the last sample [s]
    step: float = 0.0
    decimals: dict[str, int] = field(default_factory=dict)
    marks: list[tuple[int, str, str]] = field(default_factory=list)  # row, setting, direction
    notes: list[tuple[int, str]] = field(default_factory=list)
    remarks: list[tuple[int, str]] = field(default_factory=list)
    excluded: list[ExcludedRow] = field(default_factory=list)
    more_excluded: int = 0
    problems: list[BenchError] = field(default_factory=list)
    ended: bool = False  # by zero bytes, as in a file that was made too long

    @property
    def size(self) -> int:
        """Samples in a stretch."""
        rows = (self.log.path.stat().st_size - self.log.start) / self.log.line_length
        return max(self.sizes.shortest, int(np.ceil(rows / self.sizes.stretches)))

    @property
    def too_many_problems(self) -> bool:
        return len(self.problems) > _PROBLEMS

    @property
    def row(self) -> int:
        """Row of the next line."""
        return self.log.beginning.header_row + 1 + self.line

    def add(self, content: bytes, read: ReadLines | None) -> None:
        """Add the next lines, as stretches where they were plain."""
        if read is None:
            for some in _some_lines(content):
                if not self.too_many_problems:
                    self._add_carefully(some)
            return
        if self.ended:
            self._complain_of_zeros()
        self._exclude(read.excluded, self.row)
        if read.piece is not None:
            self._append(read.piece, self.row)
        self.line += read.lines

    def _add_carefully(self, content: bytes) -> None:
        """Add lines read as a small sheet is, with what is wrong with them."""
        ended = content.endswith(b"\x00")
        content = content.rstrip(b"\x00")
        if self.ended and content:
            self._complain_of_zeros()
            self.line += content.count(b"\n")
            return
        self.ended |= ended
        try:
            text = decode(self.log.path, content)
        except LocatedError as error:
            self.problems.append(_moved(error, self.row - 1))
            self.line += content.count(b"\n")
            return
        shift = self.row - 2
        try:
            sheet = as_sheet(self.log, text)
            if sheet is not None:
                self.remarks += [(row + shift, remark) for row, remark in sheet.remarks]
                self._add_readings(
                    read_piece(sheet, self.log.test, self.log.speed, self.log.sign), shift
                )
            self.line += count_rows(self.log.path, text, self.log.beginning.delimiter)
        except BenchProblemsError as error:
            self.problems += [_moved(problem, shift) for problem in error.problems]
            self.line += text.count("\n")
        except LocatedError as error:
            self.problems.append(_moved(error, shift))
            self.line += text.count("\n")

    def _add_readings(self, read: PieceReadings, shift: int) -> None:
        self._exclude(read.excluded, shift)
        self.problems += [_moved(problem, shift) for problem in read.problems]
        if not len(read.rows) or read.problems:
            return
        clock = read.clock - self.log.first_stamp
        back = steps_back(clock, read.decimals["time"], abs(self.log.first_stamp))
        self.problems += [
            self._ran_backwards(int(read.rows[each]) + shift, clock[each - 1], clock[each])
            for each in back.tolist()
        ]
        if self.problems:
            self.last = float(clock[-1]) * self.log.places["time"].factor
            return
        blank = np.full(len(read.rows), np.nan)
        further = {f" {header}": values for header, values in read.extra.items()}
        written = {**read.readings, **further}
        piece = cut(
            self.log,
            read.rows,
            clock * self.log.places["time"].factor,
            {name: written.get(name, blank) for name in self.log.places if name != "time"},
            {
                "setting": np.array(read.setting, object),
                "direction": np.array(read.direction, object),
                "note": np.array(read.note, object),
            },
            decimals=read.decimals,
            size=self.size,
        )
        if piece is not None:
            self._append(piece, shift)

    def _append(self, piece: Piece, shift: int) -> None:
        factor = self.log.places["time"].factor
        pair = np.array([self.last, piece.first]) / factor
        if len(steps_back(pair, self.log.decimals["time"], abs(self.log.first_stamp))):
            row = int(piece.stretches.rows[0]) + shift
            self.problems.append(self._ran_backwards(row, pair[0], pair[1]))
        gap = bool(is_gap(piece.first - self.last, max(self.step, piece.step)))
        new = [self._mark(row + shift, *pair) for row, *pair in piece.marks]
        self.pieces.append(replace(piece.stretches, rows=piece.stretches.rows + shift))
        self.behind_gap.append(bool(self.behind_gap) and (gap or new[0]))
        self.last, self.step = piece.last, piece.step
        for row, note in piece.notes:
            kept = note if len(self.notes) < _MOST_KEPT else ""
            if kept != (self.notes[-1][1] if self.notes else ""):
                self.notes.append((row + shift, kept))
        for name, decimals in piece.decimals.items():
            self.decimals[name] = max(decimals, self.decimals.get(name, decimals))

    def _exclude(self, rows: Sequence[ExcludedRow], shift: int) -> None:
        room = max(0, _MOST_KEPT - len(self.excluded))
        self.excluded += [
            ExcludedRow(row=each.row + shift, reason=each.reason) for each in rows[:room]
        ]
        self.more_excluded += len(rows[room:])

    def _mark(self, row: int, setting: str, direction: str) -> bool:
        """Note the setting and direction from a row on; whether they are others than before."""
        if (self.marks[-1][1:] if self.marks else ("", "")) == (setting, direction):
            return False
        self.marks.append((row, setting, direction))
        return True

    def _complain_of_zeros(self) -> None:
        self.ended = False
        self.problems.append(
            LocatedError(
                path=self.log.path,
                row=self.row,
                found="zero bytes, and more readings behind them",
                expected="readable text",
                remedy="Keep what the logger wrote before it was interrupted.",
            )
        )

    def _ran_backwards(self, row: int, before: float, time: float) -> LocatedError:
        return ran_backwards(
            self.log.path,
            row,
            self.log.layout.numbers["time"].header,
            before=before + self.log.first_stamp,
            time=time + self.log.first_stamp,
            decimals=self.log.decimals["time"],
        )

    def readings(self, instruments: Mapping[tuple[str, str], Instrument]) -> SheetReadings | None:
        """The run of the whole log; all problems are told if there are any."""
        if self.problems:
            raise BenchProblemsError(_first_problems(self.log.path, self.problems))
        if not self.pieces:
            return None
        beginning = self.log.beginning
        above = [each for each in beginning.remarks if each[0] < beginning.header_row]
        sheet = replace(beginning, remarks=(*above, *self.remarks))
        sample = read_runs(sheet, self.log.test, speed=self.log.speed, instruments=instruments)
        stretched = joined(self.pieces, self.behind_gap)
        mean = averages(stretched, evenly=self.sizes.evenly)
        run, signs = self._run(sample.runs[0], mean)
        said = [each for each in sample.findings if each.kind != "negative-throughout"]
        name = self.log.path.name
        return SheetReadings(
            runs=(run,),
            findings=(*said, *signs, *_on_averages(name, mean, stretched.spikes)),
            filled_in=True,
            displayed={(name, run.meters.get(name, "")): run.units[name][1] for name in run.units},
        )

    def _run(self, sample: Run, mean: Averages) -> tuple[Run, tuple[Finding, ...]]:
        """The run of the averages, for the rest like that of the first rows."""
        numbers = self.log.layout.numbers
        filled = {name: v for name, v in mean.readings.items() if np.isfinite(v).any()}
        readings = {"time": mean.time, **{n: v for n, v in filled.items() if n in numbers}}
        extra = {name[1:]: values for name, values in mean.readings.items() if name.startswith(" ")}
        of = {column.header.text: column.quantity for column in self.log.layout.extra}
        setting, direction = self._marks_at(mean.rows)
        signs = written_as_magnitudes(
            readings, extra, of, direction, kind=sample.kind, file=self.log.path.name
        )
        consumer_signs(readings, extra, of, self.log.test)
        size = {name: abs(size_in_si(numbers[name], self.log.speed)) for name in readings}
        run = replace(
            sample,
            rows=mean.rows,
            readings=readings,
            extra=extra,
            written_step={name: 10.0 ** -self.decimals[name] * size[name] for name in readings},
            units={name: (numbers[name].header.unit, size[name]) for name in readings},
            setting=setting,
            direction=direction,
            note=self._notes_at(mean.rows),
            excluded=self._excluded(),
            blocks=replace(
                mean.blocks,
                scatter={n: v for n, v in mean.blocks.scatter.items() if n in readings},
                correlation={n: v for n, v in mean.blocks.correlation.items() if n in readings},
            ),
        )
        return run, signs

    def _marks_at(self, rows: IntArray) -> tuple[tuple[str, ...], tuple[str, ...]]:
        marks = [(0, "", ""), *self.marks]
        places = np.searchsorted([row for row, _, _ in marks], rows, side="right") - 1
        return tuple(marks[each][1] for each in places), tuple(marks[each][2] for each in places)

    def _notes_at(self, rows: IntArray) -> tuple[str, ...]:
        """Every note that stands beside some sample of each average."""
        changes = [row for row, _ in self.notes]
        first = np.searchsorted(changes, rows, side="right")
        last = np.searchsorted(changes, rows[1:], side="left")
        notes = ["", *(note for _, note in self.notes)]
        return tuple(
            "; ".join(dict.fromkeys(filter(None, notes[begin : end + 1])))
            for begin, end in zip(first, [*last, len(changes)], strict=True)
        )

    def _excluded(self) -> tuple[ExcludedRow, ...]:
        if not self.more_excluded:
            return tuple(self.excluded)
        last = self.excluded[-1]
        said = f"{last.reason} (and {self.more_excluded} more rows)"
        return (*self.excluded[:-1], ExcludedRow(row=last.row, reason=said))


def _some_lines(content: bytes) -> Iterator[bytes]:
    """Cut a piece into smaller ones at line ends."""
    start = 0
    while start < len(content):
        end = content.find(b"\n", start + _CAREFULLY) + 1 or len(content)
        yield content[start:end]
        start = end


def _moved(error: BenchError, rows: int) -> BenchError:
    """The same message of a piece, with the row that it is in the whole file."""
    if not isinstance(error, LocatedError) or error.row is None:
        return error
    return LocatedError(
        path=error.path,
        row=error.row + rows,
        column=error.column,
        found=error.found,
        expected=error.expected,
        remedy=error.remedy,
    )


def _first_problems(path: Path, problems: list[BenchError]) -> list[BenchError]:
    told = sorted(problems, key=lambda error: getattr(error, "row", None) or 0)[:_PROBLEMS]
    if len(problems) > _PROBLEMS:
        more = len(problems) - _PROBLEMS
        told.append(
            BenchError(f"{path.name}: ... and {more} more like these, as far as it was read")
        )
    return told


def _on_averages(name: str, mean: Averages, spikes: Mapping[str, int]) -> Iterator[Finding]:
    samples = mean.blocks.samples
    yield Finding(
        kind="log-averaged",
        where=name,
        says=f"{samples:,} rows are read as {len(mean.rows):,} averages of neighbouring ones, "
        "shorter where something changes fast.",
        severity="note",
        damage=0.1,
    )
    for column, number in spikes.items():
        if number > max(_FEW, 1e-5 * samples):  # normal scatter may have one in a million
            yield Finding(
                kind="spikes-left-out",
                where=name,
                says=f"{number:,} of {samples:,} samples of {column.strip()} stand far from their "
                "neighbours and are left out of the averages.",
                suggestion="If there are many, look for a loose contact.",
                severity="note",
            )
