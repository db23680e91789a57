"""What is said of columns and rows that were read and are not used."""

from __future__ import annotations

from collections.abc import Sequence

from motorfit.bench.columns import Column, Layout
from motorfit.bench.records import ExcludedRow
from motorfit.bench.tables import Sheet, shown
from motorfit.finding import Finding


def notes_on_columns(sheet: Sheet, layout: Layout) -> list[Finding]:
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


def all_excluded(sheet: Sheet, excluded: Sequence[ExcludedRow]) -> Finding:
    """A sheet of which no row is left, with the reasons that stand in it."""
    reasons = ", ".join(dict.fromkeys(row.reason for row in excluded))
    return Finding(
        kind="all-rows-excluded",
        where=sheet.path.name,
        says=f"Every row is left out by its exclude column ({shown(reasons)}).",
        suggestion="Empty the exclude cell of each row that is to count.",
    )
