"""Readings at the machine and the circumstances they were taken in."""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.estimation.circuit import Amount
from motorfit.estimation.rows import CURRENT, READ_TORQUE, SPEED, STATED_INERTIA, Rows
from motorfit.machine.brushed import brush_saturation


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Factors:
    """Circumstances of each reading relative to the reference; every array is (..., n)."""

    winding: FloatArray  # resistance, by temperature
    position: Amount  # resistance, by rotor position
    magnets: FloatArray  # EMF constant, by temperature
    loss: Amount  # loss torque, by run
    inertia: Amount  # error of what was put on the shaft, relative
    brush_shape: Amount  # added to the saturation of the brush drop


class Point:
    """Speed and current of readings, and what hangs on them alone; every array (..., n).

    Parameters
    ----------
    rows : Rows
        Which of the n readings are of a held rotor, and in which direction it turned.
    brush_current_scale : float
        i0. [A]
    values : sequence of ndarray
        Voltage, speed, current and torque at the machine.
    """

    def __init__(
        self, rows: Rows, brush_current_scale: float, values: Sequence[FloatArray]
    ) -> None:
        self.scale = brush_current_scale
        self.torque_from, self.added_inertia = rows.torque_from, rows.added_inertia
        self.any_inertial = bool(np.any(rows.torque_from != READ_TORQUE))
        #: Where there is a loss torque at all.
        self.losing = (rows.torque_from != STATED_INERTIA).astype(float)
        self.standing = rows.standing.astype(float)
        self.running, self.reverse = 1.0 - self.standing, rows.reverse.astype(float)
        self.any_held, self.all_held = bool(rows.standing.any()), bool(rows.standing.all())
        self._read(values)

    def _read(self, values: Sequence[FloatArray]) -> None:
        self.values, self.speed, self.current = values, values[SPEED], values[CURRENT]

    def elsewhere(self, values: Sequence[FloatArray]) -> Point:
        """Other readings of the same rows."""
        other = copy(self)
        for name in ("size", "sign", "saturation", "saturation_slope"):
            other.__dict__.pop(name, None)
        other._read(values)
        return other

    def by_rotor(self, running: Amount, standing: Amount) -> Amount:
        """One number where the rotor turns, another where it is held."""
        if self.all_held or not self.any_held:
            return standing if self.any_held else running
        return np.where(self.standing > 0, standing, running)

    @cached_property
    def size(self) -> FloatArray:
        """Of the current."""
        return np.abs(self.current)

    @cached_property
    def sign(self) -> FloatArray:
        """Of the current."""
        return np.sign(self.current)

    @cached_property
    def saturation(self) -> FloatArray:
        """Share of the brush drop that is there."""
        return brush_saturation(self.current, self.scale)

    @cached_property
    def saturation_slope(self) -> FloatArray:
        """Its change with the current."""
        return np.asarray((1.0 - self.saturation**2) / self.scale)
