"""Readings of all tests in one set of arrays, and how each unknown error enters them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from motorfit.arrays import BoolArray, FloatArray, IntArray
from motorfit.instruments import standard_uncertainty

#: What one row of readings holds, in the order of the last axis of its arrays.
READ = ("voltage", "speed", "current", "torque")
VOLTAGE, SPEED, CURRENT, TORQUE = range(4)

#: What may be wrong with one row: gains and offsets of what it reads, then the others.
GAIN, OFFSET = range(4), range(4, 8)
LOAD, LEADS, WINDING, MAGNETS, LOSS, RESISTANCE, BRUSH, INERTIA = range(8, 16)
ERRORS = 16

#: What a row's torque is made from: a reading, or the acceleration of the rotor by the rate of
#: its speed or of its terminal voltage; or what is stated of the inertia stands in its place.
READ_TORQUE, RATE_OF_SPEED, RATE_OF_VOLTAGE, STATED_INERTIA = range(4)

#: The equations of one row, in the order of the last axis of `Rows.present`.
EQUATIONS = ("voltage", "torque")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rows:
    """Readings of one bench, n rows, in SI and the consumer's convention.

    Calibrated; everything that is unknown (gain, offset, ...) is left to `Influence`.
    """

    shown: FloatArray  # (n, 4) voltage, speed, current, torque; 0 where not read
    present: BoolArray  # (n, 2) voltage equation, torque equation
    metered: BoolArray  # (n,) current comes from an ammeter
    load: FloatArray  # (n,) resistor that gives the current; infinite where none does
    load_extra: FloatArray  # (n,) ammeter's burden in series with it
    input_conductance: FloatArray  # (n,) of the voltmeter [S]
    lead_resistance: float  # between machine and voltmeter [ohm]
    winding: FloatArray  # (n,) [degC]
    magnets: FloatArray  # (n,) [degC]
    standing: BoolArray  # (n,) rotor held: the brushes have a drop of their own
    reverse: BoolArray  # (n,) turned in the second direction
    rounding: FloatArray  # (n, 4) variance of the display's rounding
    unread: FloatArray  # (n, 4) variance of what nobody read and another equation tells
    torque_from: IntArray  # (n,) READ_TORQUE, RATE_OF_SPEED, RATE_OF_VOLTAGE, STATED_INERTIA
    added_inertia: FloatArray  # (n,) put on the shaft [kg m2]
    file: tuple[str, ...]  # (n,) names of the sheets
    row: IntArray  # (n,) as a spreadsheet shows it
    kind: tuple[str, ...]  # (n,)
    note: tuple[str, ...]  # (n,)

    def __len__(self) -> int:
        return len(self.row)

    @property
    def turning(self) -> BoolArray:
        """Rows of a rotor that turns, (n,)."""
        return np.asarray(~self.standing & (self.torque_from != STATED_INERTIA))

    @property
    def coasting(self) -> BoolArray:
        """Rows of a machine that slows by itself, (n,)."""
        return np.asarray(np.isin(self.torque_from, (RATE_OF_SPEED, RATE_OF_VOLTAGE)))

    def part(self, rows: IntArray) -> Rows:
        """Some of the rows, in this order; a row may come several times."""
        kept: dict[str, Any] = {name: getattr(self, name)[rows] for name in _ARRAYS}
        kept |= {name: tuple(getattr(self, name)[row] for row in rows) for name in _TEXTS}
        return replace(self, shown=self.shown[..., rows, :], **kept)


_TEXTS = ("file", "kind", "note")
_ARRAYS = (
    "present",
    "metered",
    "load",
    "load_extra",
    "input_conductance",
    "winding",
    "magnets",
    "standing",
    "reverse",
    "rounding",
    "unread",
    "torque_from",
    "added_inertia",
    "row",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Nuisance:
    """One unknown error with a prior: of an instrument, a temperature, or a group of rows."""

    quantity: str
    error: Literal["gain", "offset", "temperature", "effect"]
    deviation: float  # prior standard deviation; at the usual size for an effect
    mean: float = 0.0
    id: str = ""
    range: str = ""
    shape: Literal["rectangular", "normal"] = "rectangular"
    half_width: float = 0.0
    unit: str = "1"
    component: int | None = None  # of the variance components, for an effect

    @classmethod
    def rectangular(
        cls,
        quantity: str,
        error: Literal["gain", "offset", "temperature"],
        half_width: float,
        *,
        id: str = "",  # noqa: A002 - the word of the kit and the profile
        range: str = "",  # noqa: A002 - likewise
        unit: str = "1",
    ) -> Nuisance:
        """An error that may be anywhere within its half-width."""
        return cls(
            quantity=quantity,
            error=error,
            deviation=standard_uncertainty(half_width).item(),
            id=id,
            range=range,
            half_width=half_width,
            unit=unit,
        )

    @property
    def words(self) -> str:
        """For people: 'gain of the voltage meter (meter A, 40 V)'."""
        if self.error == "temperature":
            return f"temperature of the {self.quantity}"
        where = ", ".join(part for part in (self.id, self.range) if part)
        instrument = {
            "load": "load resistor",
            "leads": "lead resistance",
            "arm": "length of the arm",
            "magnet coefficient": "temperature coefficient of the magnets",
            "drive efficiency": "efficiency of the drive",
        }.get(self.quantity, f"{self.error} of the {self.quantity.replace('_', ' ')} reading")
        return f"{instrument} ({where})" if where else instrument


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Influence:
    """How r nuisances enter n rows: each array is linear in the nuisances."""

    gain: FloatArray  # (n, 4, r) relative: true = (shown - offset) / (1 + gain)
    offset: FloatArray  # (n, 4, r) in SI
    load: FloatArray  # (n, r) relative, of the load resistor
    leads: FloatArray  # (r,) [ohm]
    winding: FloatArray  # (n, r) [K]
    magnets: FloatArray  # (n, r) [K]
    loss: FloatArray  # (n, r) relative, of the loss torque
    resistance: FloatArray  # (n, r) relative, of the armature resistance
    brush: FloatArray  # (n, r) added to the saturation of the brush drop
    inertia: FloatArray  # (n, r) relative, of the inertia put on the shaft

    @classmethod
    def none(cls, rows: int, nuisances: int) -> Influence:
        """All zero, to be filled in."""
        table = (rows, nuisances)
        return cls(
            gain=np.zeros((rows, 4, nuisances)),
            offset=np.zeros((rows, 4, nuisances)),
            load=np.zeros(table),
            leads=np.zeros(nuisances),
            winding=np.zeros(table),
            magnets=np.zeros(table),
            loss=np.zeros(table),
            resistance=np.zeros(table),
            brush=np.zeros(table),
            inertia=np.zeros(table),
        )

    def part(self, rows: IntArray) -> Influence:
        """How they enter some of the rows, as `Rows.part` has them."""
        return Influence(
            gain=self.gain[rows],
            offset=self.offset[rows],
            load=self.load[rows],
            leads=self.leads,
            winding=self.winding[rows],
            magnets=self.magnets[rows],
            loss=self.loss[rows],
            resistance=self.resistance[rows],
            brush=self.brush[rows],
            inertia=self.inertia[rows],
        )


class Shares:
    """Which errors a row has at all, and the share that each nuisance has in them.

    Parameters
    ----------
    influence : Influence
        How r nuisances enter n rows.
    """

    def __init__(self, influence: Influence) -> None:
        whole = np.concatenate(
            [
                influence.gain.swapaxes(0, 1),
                influence.offset.swapaxes(0, 1),
                [
                    influence.load,
                    np.broadcast_to(influence.leads, influence.load.shape),
                    influence.winding,
                    influence.magnets,
                    influence.loss,
                    influence.resistance,
                    influence.brush,
                    influence.inertia,
                ],
            ]
        )
        self.errors = tuple(int(error) for error in np.flatnonzero(whole.any(axis=(1, 2))))
        self.by_row = np.ascontiguousarray(whole[list(self.errors)].swapaxes(0, 1))  # (n, e, r)
        self.nuisances = influence.leads.shape
        self.parts: list[tuple[int, slice | IntArray, FloatArray]] = []
        for error in self.errors:
            column = _slice_of(np.flatnonzero(whole[error].any(axis=0)))
            self.parts.append((error, column, np.ascontiguousarray(whole[error][:, column].T)))

    def total(self, nuisance: FloatArray) -> list[FloatArray | float]:
        """Every error of every row, each (..., n), from nuisances (..., r); zero if none."""
        total: list[FloatArray | float] = [0.0] * ERRORS
        for error, column, share in self.parts:
            total[error] = nuisance[..., column] @ share
        return total

    def gathered(self, slopes: Mapping[int, FloatArray]) -> FloatArray:
        """From slopes by each error of each row (..., n) to slopes by nuisance (..., r)."""
        shape = next(iter(slopes.values())).shape[:-1] if slopes else ()
        gathered = np.zeros((*shape, *self.nuisances))
        for error, column, share in self.parts:
            if error in slopes:
                gathered[..., column] += slopes[error] @ share.T
        return gathered


def _slice_of(index: IntArray) -> slice | IntArray:
    """The same as a slice, where there is one: it is faster."""
    whole = np.arange(index[0], index[-1] + 1)
    return slice(int(index[0]), int(index[-1]) + 1) if np.array_equal(index, whole) else index
