"""Readings that do not belong, in words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from motorfit.bench.records import Bench
from motorfit.estimation.corrections import Slip
from motorfit.estimation.effect_words import damage
from motorfit.estimation.ground import Sheet, sheets_of
from motorfit.estimation.resistors import resistor_ratio
from motorfit.estimation.rows import CURRENT, SPEED, TORQUE, VOLTAGE
from motorfit.estimation.search import Explained, Verdict
from motorfit.estimation.slip_words import slip_told, written
from motorfit.estimation.slips import likely_slips
from motorfit.finding import Finding

_AXIS = {"voltage": VOLTAGE, "speed": SPEED, "current": CURRENT, "torque": TORQUE}

#: Volts over amps are those of a resistor within this, relatively.
_SAME_RESISTOR = 0.05

_MEND = (
    "Look at your notes: mend it if it was a slip, or write the reason in the column exclude and "
    "take the reading again."
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Row:
    """One row that does not belong."""

    place: int  # in its sheet
    sheet: Sheet
    verdict: Verdict
    slips: tuple[Slip, ...]

    @property
    def number(self) -> int:
        """As a spreadsheet shows it."""
        return int(self.sheet.run.rows[self.place])


def reading_findings(bench: Bench, explained: Explained) -> list[Finding]:
    """A finding for each row that does not belong, with the likely slip where there is one.

    Parameters
    ----------
    bench : Bench
        The readings.
    explained : Explained
        What was found.

    Returns
    -------
    list of Finding
        One for two rows whose readings seem to have changed places.
    """
    rows = _rows(bench, explained)
    found: list[Finding] = []
    told: set[tuple[str, int]] = set()
    for row in rows:
        if (row.sheet.name, row.number) in told:
            continue
        other, column = _changed_places(row, rows)
        if other is not None:
            found.append(_pair(explained, row, other, column))
            told.add((other.sheet.name, other.number))
        else:
            found.append(_single(explained, row))
        told.add((row.sheet.name, row.number))
    return found


def _rows(bench: Bench, explained: Explained) -> list[_Row]:
    """Each row once, by its gravest column."""
    verdicts: dict[int, Verdict] = {}
    for verdict in explained.verdicts:
        if verdict.suspicion.family == "reading":
            row = int(verdict.suspicion.rows[0])
            if row not in verdicts or abs(verdict.score) > abs(verdicts[row].score):
                verdicts[row] = verdict
    rows = []
    for row, verdict in verdicts.items():
        sheet = next(each for each in sheets_of(bench) if row in each.rows)
        others = tuple(each for each in verdicts if each != row and each in sheet.rows)
        slips = likely_slips(bench, explained, row, others)
        place = int(row - sheet.rows[0])
        rows.append(_Row(place=place, sheet=sheet, verdict=verdict, slips=slips))
    return rows


def _changed_places(row: _Row, rows: list[_Row]) -> tuple[_Row | None, str]:
    """The other row whose reading fits here while this one's fits there."""
    for slip in row.slips:
        for other in rows:
            if other.sheet.name != row.sheet.name or other.number != slip.other_row:
                continue
            column = slip.values[0][0]
            if any(
                back.other_row == row.number and back.values[0][0] == column for back in other.slips
            ):
                return other, column
    return None, ""


def _pair(explained: Explained, row: _Row, other: _Row, column: str) -> Finding:
    first, second = sorted((row, other), key=lambda each: each.number)
    file = row.sheet.name
    size = max(abs(row.verdict.score), abs(other.verdict.score))
    return Finding(
        kind="outlier",
        where=f"{file}:{first.number},{second.number}",
        says=(
            f"{file}, rows {first.number} and {second.number} do not fit the others, and would "
            f"with each other's {column}. They are off by up to {size:.1f} times their "
            "uncertainty."
        ),
        suggestion=(
            f"Look at your notes: did the two readings of {column} change places? Then mend "
            "them; if not, take both rows again."
        ),
        severity="error",
        damage=max(damage(explained, row.verdict), damage(explained, other.verdict)),
    )


def _single(explained: Explained, row: _Row) -> Finding:
    measured, expected = _against_the_others(explained, row)
    file = row.sheet.name
    hint = slip_told(row.slips, row.sheet.run) or _which_column(explained, row)
    return Finding(
        kind="outlier",
        where=f"{file}:{row.number}",
        says=(
            f"{file}, row {row.number} does not fit the others ({measured}, expected {expected}). "
            f"It is off by {abs(row.verdict.score):.1f} times its uncertainty."
        ),
        suggestion=f"{hint} {_MEND}".strip(),
        severity="error",
        damage=damage(explained, row.verdict),
    )


def _against_the_others(explained: Explained, row: _Row) -> tuple[str, str]:
    """What was read and what the others say, in the column that is doubted most."""
    run, index = row.sheet.run, int(row.verdict.suspicion.rows[0])
    column, slip = row.verdict.suspicion.shape, row.slips[0] if row.slips else None
    if slip is not None and len(slip.values) == 1 and slip.values[0][0] in _AXIS:
        column = slip.values[0][0]
    shown = float(explained.joint.problem.conditions.rows.shown[index, _AXIS[column]])
    sign = -1.0 if run.test.generating and _AXIS[column] in (CURRENT, TORQUE) else 1.0
    if slip is not None and slip.sort == "sign":  # brushes change sides: nothing is straight
        expected = abs(shown)
    else:
        expected = sign * (shown - row.verdict.size * _through(explained, row, column))
    if column == "torque":  # what was written may be a force at an arm
        return f"{sign * shown:.4g} N m", f"{expected:.4g} N m"
    return written(run, column, sign * shown), written(run, column, expected)


def _through(explained: Explained, row: _Row, column: str) -> float:
    """By how much a column is off for each unit that the judged one is."""
    judged = row.verdict.suspicion.shape
    if judged == column:
        return 1.0
    index = int(row.verdict.suspicion.rows[0])
    sensitivity = explained.joint.solution.linearised.sensitivity[index, 0]
    through = float(sensitivity[_AXIS[column]])
    return float(sensitivity[_AXIS[judged]]) / through if through else 0.0


def _which_column(explained: Explained, row: _Row) -> str:
    """Where volts over amps are the resistor's, the speed is left."""
    run, place = row.sheet.run, row.place
    usual = resistor_ratio(run, place)
    if usual is None:
        return ""
    ratio = abs(float(run.get("voltage")[place] / run.get("current")[place]))
    if abs(np.log(ratio / usual)) > _SAME_RESISTOR:
        return (
            f"Volts over amps are {_ohms(ratio)} ohm there and {_ohms(usual)} ohm in the other "
            "rows with that resistor: look at these two first."
        )
    speed = float(run.get("speed")[place])
    fits = speed - row.verdict.size * _through(explained, row, "speed")
    if not fits > 0:
        return ""
    return (
        f"Volts over amps are those of the resistor, so look at the speed first: "
        f"{written(run, 'speed', fits)} would fit."
    )


def _ohms(value: float) -> str:
    """Three digits, without a power of ten."""
    return f"{float(f'{value:.3g}'):.7g}"
