"""Predictions over a grid of speeds and loads, as somebody at the shaft would read them.

What a generator gives and takes is positive here, as is what a motor does: each row says
which of the two the machine is.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.errors import NotMeasuredError
from motorfit.profile.prediction import Prediction, Quantity, predict

if TYPE_CHECKING:
    from motorfit.profile.model import MachineProfile

Given: TypeAlias = Literal["load", "current", "voltage"]
Role: TypeAlias = Literal["generator", "motor"]

#: What a row tells, in order, with its UCUM unit.
COLUMNS: Mapping[str, str] = {
    "voltage": "V",
    "current": "A",
    "torque": "N.m",
    "power": "W",
    "efficiency": "1",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One predicted number with its interval, in SI."""

    value: float
    low: float
    high: float
    standard_uncertainty: float

    def turned(self) -> Cell:
        """The same, counted the other way."""
        return Cell(
            value=-self.value + 0.0,
            low=-self.high + 0.0,
            high=-self.low + 0.0,
            standard_uncertainty=self.standard_uncertainty,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class GridRow:
    """What the machine does at one point.

    ``cells`` has the columns that can be predicted there, ``why`` what the others lack.
    """

    speed: float  # [rad/s]
    given: Given
    amount: float  # of what is given: ohm, A or V
    works_as: Role
    cells: Mapping[str, Cell] = field(default_factory=dict)
    why: Mapping[str, str] = field(default_factory=dict)
    extrapolated: bool = False


def predict_grid(
    profile: MachineProfile,
    speeds: Iterable[float],
    points: Iterable[tuple[Given, float]],
    *,
    winding: float | None = None,
    magnets: float | None = None,
    level: float = 0.95,
) -> tuple[GridRow, ...]:
    """Predict everything at each point and speed.

    Parameters
    ----------
    profile : MachineProfile
        What is known of the machine.
    speeds : iterable of float
        Zero or positive. [rad/s]
    points : iterable of (str, float)
        "load" with a resistance, infinite for nothing connected [ohm]; "current", positive
        into the machine [A]; or "voltage" [V].
    winding, magnets : float, optional
        Temperatures; the reference temperature where not given. [degC]
    level : float
        Coverage of the intervals.

    Returns
    -------
    tuple of GridRow
        All speeds of the first point, then of the next. Power is what the machine gives:
        at the terminals as a generator, at the shaft as a motor.

    Raises
    ------
    ProfileError
        If ``magnets`` is given and the profile does not say what they are made of.
    ValueError
        If a speed is negative or a load not positive.
    """
    heat = {"winding": winding, "magnets": magnets}
    turning = np.array(list(speeds), float)
    return tuple(
        row
        for given, amount in points
        for row in _at_point(profile, turning, given, amount, heat, level)
    )


def _at_point(
    profile: MachineProfile,
    speeds: FloatArray,
    given: Given,
    amount: float,
    heat: Mapping[str, float | None],
    level: float,
) -> list[GridRow]:
    """All speeds at once; one by one where something may be known at one of them only."""
    options = {given: amount, **heat}
    table, why = _predict_all(profile, speeds, given, options)
    if why and profile.combinations and speeds.size > 1:
        return [
            row
            for speed in speeds
            for row in _at_point(profile, np.array([speed]), given, amount, heat, level)
        ]
    return [
        _row(float(speed), given, amount, _cells(table, place, level), why, _far(table, place))
        for place, speed in enumerate(speeds)
    ]


def _predict_all(
    profile: MachineProfile, speeds: FloatArray, given: Given, options: Mapping[str, Any]
) -> tuple[dict[str, Prediction], dict[str, str]]:
    quantities: tuple[Quantity, ...] = (
        "voltage",
        "current",
        "torque",
        "terminal_power",
        "shaft_power",
        "efficiency",
    )
    table: dict[str, Prediction] = {}
    why: dict[str, str] = {}
    for quantity in quantities:
        if quantity == given:
            continue
        try:
            table[quantity] = predict(profile, quantity, speed=speeds, **options)
        except NotMeasuredError as error:
            why[quantity] = error.why
    return table, why


def _cells(table: Mapping[str, Prediction], place: int, level: float) -> dict[str, Cell]:
    cells = {}
    for quantity, prediction in table.items():
        low, high = prediction.interval(level)
        cells[quantity] = Cell(
            value=float(prediction.value[place]),
            low=float(low[place]),
            high=float(high[place]),
            standard_uncertainty=float(prediction.standard_uncertainty[place]),
        )
    return cells


def _far(table: Mapping[str, Prediction], place: int) -> bool:
    return any(bool(prediction.extrapolated[place]) for prediction in table.values())


def _row(
    speed: float,
    given: Given,
    amount: float,
    cells: dict[str, Cell],
    why: Mapping[str, str],
    extrapolated: bool,
) -> GridRow:
    """Count everything so that what the machine does is positive."""
    if given != "load":
        cells[given] = Cell(value=amount, low=amount, high=amount, standard_uncertainty=0.0)
    current = cells.get("current")
    role: Role = "motor" if current and current.value > 0 else "generator"
    gives, takes = "shaft_power", "terminal_power"
    if role == "generator":
        gives, takes = takes, gives
        cells = {
            name: cell if name in ("voltage", "efficiency") else cell.turned()
            for name, cell in cells.items()
        }
    names = {**{name: name for name in COLUMNS}, "power": gives}
    return GridRow(
        speed=speed,
        given=given,
        amount=amount,
        works_as=role,
        cells={
            shown: cells[name]
            for shown, name in names.items()
            if name in cells and np.isfinite(cells[name].value)
        },
        why={shown: why[name] for shown, name in names.items() if name in why and name != takes},
        extrapolated=extrapolated,
    )
