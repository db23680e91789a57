"""What a fitted heat run holds. It does not print, plot or save itself."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, TypeAlias

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.estimate import Estimate, NotKnown
from motorfit.estimation.rows import Nuisance
from motorfit.finding import Finding
from motorfit.profile.parts import ThermalBodies

#: For each thermal parameter the causes of its variance: words, quantity, share.
Widths: TypeAlias = Mapping[str, tuple[tuple[str, str, float], ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class LongerRun:
    """What a longer heat run would bring, at the same current and rate of readings."""

    seconds: float  # how much longer
    now: float  # half-width of the interval of the thermal resistance, relative
    then: float  # the same, expected

    @property
    def helps(self) -> bool:
        """Whether it narrows the interval by a tenth at least."""
        return self.then < 0.9 * self.now


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeatParts:
    """Where the uncertainty of the thermal parameters comes from, for the profile.

    ``names`` are "thermal_resistance" and "thermal_time_constant".
    """

    names: tuple[str, ...]
    scatter: FloatArray  # (2, 2) all that is no instrument's
    with_machine: FloatArray  # (2, p) of that, with the joint fit's p parameters
    instruments: tuple[tuple[Nuisance, FloatArray], ...]  # each with its sensitivities (2,)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Heating:
    """A fitted heat run of n readings that tell the winding's temperature.

    Attributes
    ----------
    file : str
        The sheet.
    rotor : {"held", "turning"}
        They cool differently.
    speed : float or None
        Of a turning one, its mean. [rad/s]
    bodies : int
        One, or two where the readings demand a winding that warms by itself.
    evidence : float
        Twice the gain in log likelihood that a second body brings; NaN where it was not
        even worth trying.
    thermal_resistance, thermal_time_constant : Estimate or NotKnown
        From winding to air [K/W]; of the whole machine, of its frame where there are two
        bodies [s].
    thermal_bodies : ThermalBodies or None
        Of two bodies.
    time, temperature, fitted : ndarray, shape (n,)
        Since the current was switched on [s]; of the winding as read, and as fitted [degC].
    curve_time, curve, curve_low, curve_high : ndarray, shape (m,)
        The warm-up at the current of the end, carried on, with its band. [s], [degC]
    ambient : float
        Of the air at the end of heating. [degC]
    current : float
        Mean, while heating. [A]
    switched_off : float or None
        When, if readings follow it. [s]
    heated_until : float
        End of the heating. [s]
    hottest : Estimate
        The winding's temperature at the end of heating. [degC]
    from_cooling : float or None
        The same from the cooling curve alone, carried back to the instant of switching off.
    reached : float
        Share of its final rise that the winding reached.
    longer : LongerRun or None
        What another half hour would bring; None where nothing is known at all.
    noise, correlation, samples, effective : float, float, int, float
        Scatter of one reading [K]; correlation of neighbours; readings in the log; how many
        independent ones they are worth.
    widths : mapping
        For each thermal parameter the causes of its variance with their shares, largest
        first.
    assumed : tuple of str
        A sentence each.
    findings : tuple of Finding
        What the heat run tells about itself.
    parts : HeatParts
        Of the uncertainty, for the profile.
    """

    file: str
    rotor: Literal["held", "turning"]
    speed: float | None
    bodies: int
    evidence: float
    thermal_resistance: Estimate | NotKnown
    thermal_time_constant: Estimate | NotKnown
    thermal_bodies: ThermalBodies | None
    time: FloatArray
    temperature: FloatArray
    fitted: FloatArray
    curve_time: FloatArray
    curve: FloatArray
    curve_low: FloatArray
    curve_high: FloatArray
    ambient: float
    current: float
    switched_off: float | None
    heated_until: float
    hottest: Estimate
    from_cooling: float | None
    reached: float
    longer: LongerRun | None
    noise: float
    correlation: float
    samples: int
    effective: float
    widths: Widths
    assumed: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    parts: HeatParts = field(
        default_factory=lambda: HeatParts(
            names=(),
            scatter=np.zeros((0, 0)),
            with_machine=np.zeros((0, 0)),
            instruments=(),
        )
    )
