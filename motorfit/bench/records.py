"""What was measured, in SI units, with its origin."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

import numpy as np

from motorfit.arrays import BoolArray, FloatArray, IntArray
from motorfit.bench.kinds import KINDS, Kind, TestKind
from motorfit.bench.settings import Settings
from motorfit.errors import BenchError
from motorfit.finding import Finding
from motorfit.meter import Instrument
from motorfit.quantities import Stated


@dataclass(frozen=True, slots=True, kw_only=True)
class ExcludedRow:
    """A row that its ``exclude`` column leaves out, with the reason written there."""

    row: int
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Blocks:
    """What the readings of a long log are the means of; every array has shape (n,)."""

    count: IntArray  # samples in each block
    scatter: Mapping[str, FloatArray]  # by quantity: standard deviation about the block's line
    correlation: Mapping[str, float]  # by quantity: of neighbouring samples within the blocks
    samples: int  # in the whole log

    def only(self, kept: IntArray) -> Blocks:
        """Those of some of the readings."""
        scatter = {name: values[kept] for name, values in self.scatter.items()}
        return replace(self, count=self.count[kept], scatter=scatter)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rates:
    """How fast a quantity changed where a log passed the values that are its readings.

    Their covariance is that of ``own`` and ``shared`` together: diag(own) + shared shared'.
    """

    quantity: Literal["speed", "voltage", "inertia"]  # what changed; an inertia is stated
    value: FloatArray  # (n,) in SI per second
    own: FloatArray  # (n,) variance of each by itself
    shared: FloatArray  # (n, m) what they have in common
    span: tuple[float, float] = (np.nan, np.nan)  # smallest and largest value of what counts
    largest: Mapping[str, float] = field(default_factory=dict)  # in size, by quantity, of the log
    beside: float = 0.0  # variance, at these values, of the other one where both were logged

    def only(self, kept: IntArray) -> Rates:
        """Those of some of the readings."""
        return replace(self, value=self.value[kept], own=self.own[kept], shared=self.shared[kept])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Run:
    """One run of one test; every array has shape (n,).

    Quantities are in SI (rad/s, V, A, ohm, N m, N, m, s, W; degC for temperatures;
    rad for positions) with the sign of the consumer's convention: current and shaft
    torque are negative in a driven machine. A blank cell is NaN. Time counts from the
    first reading, wherever the clock stood. Nothing is corrected for calibration, burden
    or leads here: the fit does that.
    """

    kind: Kind
    source: Path  # the file the readings came from
    rows: IntArray  # the row of each reading, as a spreadsheet shows it
    readings: Mapping[str, FloatArray]  # by quantity; only the columns that the sheet has
    written_step: Mapping[str, float]  # finest decimal place written in each column, in SI
    units: Mapping[str, tuple[str, float]] = field(
        default_factory=dict
    )  # of each column as its header has it, with its size in SI
    meters: Mapping[str, str] = field(
        default_factory=dict
    )  # quantity -> "B"; default meter: absent
    setting: tuple[str, ...]  # one a reading, "" where none is given
    direction: tuple[str, ...]  # "a", "b" or "" a reading
    note: tuple[str, ...]
    excluded: tuple[ExcludedRow, ...] = ()
    extra: Mapping[str, FloatArray] = field(
        default_factory=dict
    )  # by header: further columns of a quantity that `readings` has, not used by the fit
    rates: Rates | None = None  # of a coasting machine, where a log was reduced to a few of them
    blocks: Blocks | None = None  # of a log so long that its readings are means of many samples
    added_inertia: Stated | None = None  # put on the shaft for this run alone [kg m2]
    uncoupled: bool = False  # the drive ran without the machine

    def __post_init__(self) -> None:
        for name, values in (*self.readings.items(), *self.extra.items()):
            if values.shape != self.rows.shape:
                raise BenchError(
                    f"{self.source.name}: {name} has shape {values.shape}, "
                    f"expected {self.rows.shape}"
                )
        for name in ("setting", "direction", "note"):
            if len(getattr(self, name)) != len(self.rows):
                raise BenchError(f"{self.source.name}: {name} has not one entry a reading")

    def __len__(self) -> int:
        return len(self.rows)

    @property
    def test(self) -> TestKind:
        """The kind of test, with its columns."""
        return KINDS[self.kind]

    def only(self, chosen: BoolArray) -> Run:
        """The same run with some of its readings.

        Parameters
        ----------
        chosen : ndarray of bool, shape (n,)
            Which readings are kept.
        """
        kept = np.flatnonzero(chosen)
        return replace(
            self,
            rows=self.rows[kept],
            readings={name: values[kept] for name, values in self.readings.items()},
            extra={name: values[kept] for name, values in self.extra.items()},
            rates=self.rates and self.rates.only(kept),
            blocks=self.blocks and self.blocks.only(kept),
            setting=tuple(self.setting[row] for row in kept),
            direction=tuple(self.direction[row] for row in kept),
            note=tuple(self.note[row] for row in kept),
        )

    def get(self, quantity: str) -> FloatArray:
        """The readings of ``quantity``, NaN throughout where the sheet lacks the column."""
        if quantity in self.readings:
            return self.readings[quantity]
        return np.full(len(self.rows), np.nan)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bench:
    """Everything in one bench folder, or in one table of driven readings."""

    source: Path  # the folder, or the table
    settings: Settings
    instruments: Mapping[tuple[str, str], Instrument]  # (quantity, meter); default meter is ""
    runs: tuple[Run, ...]
    findings: tuple[Finding, ...] = ()  # physical sense, before any fit
    assumed: tuple[str, ...] = ()  # a sentence for each default that was used
    not_filled_in: tuple[str, ...] = ()  # sheets with headers and no readings
    files: Mapping[str, str] = field(default_factory=dict)  # name -> "sha256:..."

    def of_kind(self, *kinds: Kind) -> tuple[Run, ...]:
        """The runs of these kinds, in the order of their files; none of a drive alone."""
        return tuple(run for run in self.runs if run.kind in kinds and not run.uncoupled)

    @property
    def of_drive_alone(self) -> tuple[Run, ...]:
        """The runs in which the drive ran without the machine."""
        return tuple(run for run in self.runs if run.uncoupled)

    def instrument(self, quantity: str, meter: str = "") -> Instrument:
        """The instrument that read ``quantity``.

        Raises
        ------
        BenchError
            If there is none of that name.
        """
        try:
            return self.instruments[quantity, meter]
        except KeyError:
            raise BenchError(f"no instrument {meter!r} for {quantity}") from None
