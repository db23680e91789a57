"""What a fit holds. It does not print, plot or save itself."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.bench.records import Bench
from motorfit.estimate import Estimate, NotKnown
from motorfit.estimation.coast_result import CoastDown
from motorfit.estimation.heating_result import Heating
from motorfit.estimation.terms import Considered
from motorfit.finding import Finding
from motorfit.profile.model import MachineProfile


@dataclass(frozen=True, slots=True, kw_only=True)
class ResidualRow:
    """How far one reading is from the fitted machine."""

    file: str
    row: int
    kind: str
    equation: Literal["voltage", "torque"]
    speed: float  # as read, consumer's convention [rad/s]
    current: float  # [A]
    measured: float  # terminal voltage [V], or shaft torque [N m]
    fitted: float
    residual: float  # measured less fitted [V] or [N m]
    standardised: float  # externally studentised: by its own uncertainty, itself left out
    note: str = ""
    weight: float = 1.0  # how much it counts; below one where a robust fit held it back


@dataclass(frozen=True, slots=True, kw_only=True)
class WidthShare:
    """What part of a variance one cause makes."""

    cause: str  # "scatter of the readings", "gain of the voltmeter (meter A, 40 V)"
    quantity: str  # "voltage", "speed", ...; "scatter" for the readings' own scatter
    share: float  # 0 to 1 of the variance
    more_readings_help: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """The one thing that would help most, with what it would bring."""

    does: str  # "one no-load run at a second supply voltage"
    test: str  # "no-load-motor": the kind of test it belongs to
    minutes: float
    brings: str  # "tells dry friction from viscous loss", "narrows winding resistance by a third"


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """One question a user has, and whether these readings answer it."""

    question: str  # "as a generator", "how hard to turn", "amps all day", "the label"
    answer: Literal["yes", "partly", "no"]
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """The scatter of one quantity or effect, as the residuals tell it."""

    name: str  # "voltage", "current", "speed", "friction from row to row", "setting", ...
    standard_deviation: float  # relative where relative is True, else SI
    relative: bool
    degrees_of_freedom: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LossPoint:
    """Loss at one speed: what the first screen shows as turning loss."""

    speed: float  # [rad/s]
    torque: Estimate  # [N m]
    power: Estimate  # [W]


@dataclass(frozen=True, slots=True, kw_only=True)
class TorqueConstant:
    """Newton metres per ampere by themselves, as a check: by energy they are volts per rad/s."""

    estimate: Estimate  # [N m/A]
    ratio: Estimate  # over the EMF constant, less one
    agrees: bool  # within what the readings and their instruments allow


@dataclass(frozen=True, slots=True, kw_only=True)
class Breakaway:
    """Torque at which it starts to turn, over the rotor's positions."""

    mean: Estimate  # over the turn [N m]
    largest: Estimate  # expected at the worst position of the turn [N m]
    cogging: Estimate | None  # how far a position is off the mean, at most; None: not told [N m]
    scatter: float  # of a repeated reading at one position, relative to the mean
    positions: int  # distinct ones that were read
    directions: int  # of rotation
    widths: tuple[WidthShare, ...]  # causes of the mean's variance, largest first


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fit:
    """A machine fitted to a bench.

    Attributes
    ----------
    bench : Bench
        The readings.
    profile : MachineProfile
        What came out, ready to save.
    findings : tuple of Finding
        Before and after the fit, most damaging first.
    residuals : tuple of ResidualRow
        One a used equation of a used reading.
    widths : mapping of str to tuple of WidthShare
        For each parameter with a value, the causes of its variance, largest first.
    advice : tuple of Advice
        What would help, best first.
    answers : tuple of Answer
        What these readings can answer.
    scatter : tuple of Scatter
        The variance components.
    loss : LossPoint or None
        The loss at a typical speed, where it is known there.
    counts : mapping of str to int
        Used readings a file.
    unused : tuple of str
        Files that were read and are not used yet, and why.
    chi_square, degrees_of_freedom : float
        Of the whitened residuals, for the details.
    draws : mapping of str to ndarray, shape (B,), or None
        Draws of each free parameter, draw by draw together, where the intervals were
        made by "bootstrap" or "monte-carlo": whatever is computed from them draw by
        draw has its quantiles. They are not cut at zero. Those of "bootstrap", and of a
        robust fit, lack what the intervals are widened by where readings are few.
    terms : tuple of Considered
        The optional terms: which are in, and why.
    robust : bool
        Whether readings that stand out were held back; their weights are in `residuals`.
    torque_constant : TorqueConstant or None
        Where shaft torque was read under current.
    breakaway : Breakaway or None
        Where starting torques were read.
    coast_downs : tuple of CoastDown
        Each log of a coasting machine, and what it was reduced to.
    heating : Heating or None
        The fitted heat run, where there is one.
    """

    bench: Bench
    profile: MachineProfile
    level: float
    findings: tuple[Finding, ...]
    residuals: tuple[ResidualRow, ...]
    widths: Mapping[str, tuple[WidthShare, ...]]
    advice: tuple[Advice, ...]
    answers: tuple[Answer, ...]
    scatter: tuple[Scatter, ...]
    loss: LossPoint | None
    counts: Mapping[str, int]
    unused: tuple[str, ...]
    chi_square: float
    degrees_of_freedom: float
    draws: Mapping[str, FloatArray] | None = None
    terms: tuple[Considered, ...] = ()
    robust: bool = False
    torque_constant: TorqueConstant | None = None
    breakaway: Breakaway | None = None
    heating: Heating | None = None
    coast_downs: tuple[CoastDown, ...] = ()

    def __repr__(self) -> str:
        """One line: a fit holds thousands of numbers."""
        known = [
            f"{name}={one.value:.4g} {one.unit}"
            for name, one in self.parameters.items()
            if isinstance(one, Estimate)
        ]
        readings = f"{sum(self.counts.values())} readings"
        found = f"{len(self.findings)} findings"
        return f"Fit({', '.join([repr(self.profile.machine.title), readings, *known, found])})"

    @property
    def parameters(self) -> Mapping[str, Estimate | NotKnown]:
        """Of the profile: an `Estimate`, or what is not known and what would give it."""
        return self.profile.parameters

    @property
    def covariance(self) -> FloatArray:
        """Total covariance of the parameters that have a value, in the profile's order."""
        return np.asarray(self.profile.covariance)
