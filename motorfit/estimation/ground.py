"""What the fit may suspect of a bench, and what directions in its equations are made of."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from motorfit.arrays import FloatArray, IntArray
from motorfit.bench.records import Bench, Run
from motorfit.estimation.assemble import USED_KINDS
from motorfit.estimation.joint import Joint
from motorfit.estimation.physics import R
from motorfit.estimation.rows import CURRENT, SPEED, TORQUE


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Suspicion:
    """One thing that may be wrong, and what it would do to the N condition equations."""

    family: str  # of `LEVELS`
    shape: str  # what changes: "voltage", "speed", "series", "heating", ...
    file: str  # the sheet it is in, "" for the whole bench
    rows: IntArray  # the readings it touches
    direction: FloatArray  # (N,) at size one
    positive: bool = False  # a size below zero makes no sense
    most: float = np.inf  # neither does a larger one
    prior: float = 0.0  # how much likelier than the others of its family, as a log of odds

    @property
    def sort(self) -> tuple[str, str, str]:
        """What is suspected, wherever in its sheet it begins."""
        return self.family, self.shape, self.file


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sheet:
    """One run of a test and its places among the rows of the bench."""

    run: Run
    rows: IntArray

    @property
    def name(self) -> str:
        """Of the file."""
        return self.run.source.name


def sheets_of(bench: Bench) -> list[Sheet]:
    """The runs that the fit uses, with their places among its rows."""
    sheets: list[Sheet] = []
    start = 0
    for run in bench.of_kind(*USED_KINDS):
        if len(run):
            sheets.append(Sheet(run=run, rows=np.arange(start, start + len(run))))
            start += len(run)
    return sheets


class Ground:
    """What the directions are made of: readings, sensitivities and where they stand.

    Parameters
    ----------
    bench : Bench
        The readings.
    joint : Joint
        Their fit.
    """

    def __init__(self, bench: Bench, joint: Joint) -> None:
        conditions = joint.problem.conditions
        self.joint, self.rows = joint, conditions.rows
        self.present = conditions.present
        self.sensitivity = joint.solution.linearised.sensitivity
        self.full = conditions.full(joint.solution.theta)
        values = conditions.nominal.values
        self.speed, self.current = values[:, SPEED], values[:, CURRENT]
        self.shown = conditions.rows.shown
        self.per_ohm = self._per_ohm()
        self.carrying = conditions.rows.metered | np.isfinite(conditions.rows.load)
        self.thermal = conditions.thermal
        self.sheets = sheets_of(bench)

    def _per_ohm(self) -> FloatArray:
        """Volts that an ohm more takes, at the readings as the fit adjusts them, (n,). [A]

        At the readings as they are it would not be quite what the winding's own ohms take, and
        the difference is made of the residuals: they would explain themselves.
        """
        free = self.joint.problem.free
        if R not in free:
            return self.current
        own = -self.joint.solution.linearised.design[:, 0, free.index(R)]
        return np.where(self.present[:, 0], own, self.current)

    def direction(
        self,
        rows: IntArray,
        *,
        voltage: FloatArray | float = 0.0,
        torque: FloatArray | float = 0.0,
    ) -> FloatArray:
        """Of what the two equations of some rows lack, (N,)."""
        whole = np.zeros(self.present.shape)
        whole[rows, 0], whole[rows, 1] = voltage, torque
        return np.asarray(whole[self.present])

    def misread(self, rows: IntArray, quantity: int, by: FloatArray | float) -> FloatArray:
        """Of one column of some rows that shows so much too much, (N,)."""
        whole = np.zeros(self.present.shape)
        whole[rows] = self.sensitivity[rows, :, quantity] * np.reshape(by, (-1, 1))
        return np.asarray(whole[self.present])

    def too_fast(self, rows: IntArray) -> FloatArray:
        """Of a speed that is shown too high, relative."""
        return self.misread(rows, SPEED, self.shown[rows, SPEED])

    def measured_torque(self) -> IntArray:
        """Rows whose torque was read, not known to be zero."""
        return np.flatnonzero(self.present[:, 1] & (self.rows.rounding[:, TORQUE] > 0))
