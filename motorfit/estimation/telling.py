"""What is needed to put a verdict into words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.bench.records import Bench
from motorfit.estimation.effect_words import size_of
from motorfit.estimation.explanation import machine_allowing
from motorfit.estimation.ground import Sheet, sheets_of
from motorfit.estimation.rows import SPEED
from motorfit.estimation.search import Explained, Verdict
from motorfit.finding import Severity
from motorfit.quantities import show_number


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """A fault in words, without its place in the order."""

    kind: str
    where: str
    says: str
    suggestion: str
    severity: Severity = "error"


class Teller:
    """The bench and what was found in it, for those who tell of it."""

    def __init__(self, bench: Bench, explained: Explained) -> None:
        self.bench, self.explained = bench, explained
        self.sheets = sheets_of(bench)
        self.rows = explained.joint.problem.assembled.rows
        machine, _ = machine_allowing(explained)
        self.full = explained.joint.problem.conditions.full(machine)

    def sheet(self, verdict: Verdict) -> Sheet:
        """The sheet that a verdict is about."""
        row = verdict.suspicion.rows[0]
        return next(each for each in self.sheets if row in each.rows)

    def size(self, verdict: Verdict) -> tuple[float, float]:
        """In its own unit, with its uncertainty."""
        return size_of(self.explained, verdict)

    def numbers(self, verdict: Verdict) -> list[int]:
        """Rows as a spreadsheet shows them."""
        return [int(self.rows.row[row]) for row in verdict.suspicion.rows]

    def speeds(self, verdict: Verdict) -> FloatArray:
        """Of its rows, as shown. [rad/s]"""
        return np.asarray(np.abs(self.rows.shown[verdict.suspicion.rows, SPEED]))


def percent(size: float, doubt: float) -> str:
    """A share without its sign, to the digits that its doubt leaves."""
    share = 100 * abs(size)
    return f"{show_number(share, max(100 * doubt, 0.1 * share))} %"


def ohms(size: float, doubt: float) -> str:
    """A resistance, to the digits that its doubt leaves."""
    return f"{show_number(size, doubt)} ohm"
