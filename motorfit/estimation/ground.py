"""What the fit may suspect of a bench, and what directions in its equations are made of."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from motorfit.arrays import FloatArray, IntArray
from motorfit.bench.records import Bench, Run
from motorfit.estimation.assemble import USED_KINDS
from motorfit.estimation.joint import Joint
from motorfit.estimation.physics import B, C, K, R
from motorfit.estimation.rows import CURRENT, READ_TORQUE, SPEED, TORQUE
from motorfit.machine.temperature import magnet_factor, winding_factor


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
    def read(self) -> bool:
        """Whether its rows are readings, not rates that a log was reduced to."""
        return self.run.rates is None

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


#: Readings that belong are not adjusted by more than this, relatively.
_ADJUSTED = 0.05


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
        # at the readings as they are these would not be quite what the parameters take up, and
        # the difference is made of the residuals: they would explain themselves
        rows, thermal = conditions.rows, conditions.thermal
        warm = winding_factor(rows.winding, thermal.reference, thermal.winding_constant)
        weak = magnet_factor(rows.magnets, thermal.reference, thermal.magnet_coefficient)
        self.per_ohm = self._takes(R, warm * self.current)
        self.emf = self.full[K] * self._takes(K, weak * self.speed)
        self.carrying = conditions.rows.metered | np.isfinite(conditions.rows.load)
        self.thermal = conditions.thermal
        self.sheets = sheets_of(bench)
        #: of a coasting machine, what slows its rotor
        self.slowing = conditions.at(joint.solution.theta, equations=(1,)).physics.inertial.torque

    def _takes(self, parameter: int, otherwise: FloatArray) -> FloatArray:
        """Volts that one more of a parameter takes, at the readings as the fit adjusts them, (n,).

        A row that is wrong is adjusted to what it should have been: there it stays as read.
        """
        free = self.joint.problem.free
        if parameter not in free:
            return otherwise
        own = -self.joint.solution.linearised.design[:, 0, free.index(parameter)]
        near = np.abs(own - otherwise) <= _ADJUSTED * np.abs(otherwise)
        return np.where(self.present[:, 0] & near, own, otherwise)

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
        slope = self.full[B] * self.speed + 2.0 * self.full[C] * self.speed**2
        return self.direction(rows, voltage=-self.emf[rows], torque=slope[rows])

    def measured_torque(self) -> IntArray:
        """Rows whose torque was read, not known to be zero."""
        read = self.rows.torque_from == READ_TORQUE
        return np.flatnonzero(self.present[:, 1] & read & (self.rows.rounding[:, TORQUE] > 0))
