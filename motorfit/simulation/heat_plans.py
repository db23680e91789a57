"""What else is done on a virtual bench: heat runs, breakaway, the drive's own power."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from motorfit.machine.heating import Bodies, OneBody


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatRunPlan:
    """A steady current from cold on, and perhaps the cooling behind it. Everything in SI.

    Parameters
    ----------
    current : float
        From a supply that holds it. [A]
    bodies : OneBody or TwoBodies
        What stores the heat in this run and carries it off.
    duration, step : float
        Until the current is cut, and from one row to the next. [s]
    speed : float, optional
        Of a turning rotor, running as a motor against a brake; held where left out. [rad/s]
    records : tuple of {"voltage", "winding"}
        What tells the winding's temperature: its voltage, or a thermometer in it.
    ambient : bool
        Whether the air is read too.
    ambient_drift : float
        How fast the air warms. [K/s]
    cooling, cooling_step : float
        How long the cooling is watched, and from one row to the next. [s]
    cooling_current : float
        Which small current measures the resistance meanwhile. [A]
    """

    current: float
    bodies: Bodies = field(
        default_factory=lambda: OneBody(thermal_resistance=2.0, time_constant=1500.0)
    )
    duration: float = 5400.0
    step: float = 150.0
    speed: float | None = None
    records: tuple[Literal["voltage", "winding"], ...] = ("voltage",)
    ambient: bool = True
    ambient_drift: float = 0.0
    cooling: float = 0.0
    cooling_step: float = 30.0
    cooling_current: float = 0.3

    def __post_init__(self) -> None:
        for name in ("current", "duration", "step", "cooling_step"):
            if not getattr(self, name) > 0:
                raise ValueError(f"{name} must be positive, found {getattr(self, name)!r}")

    @property
    def rotor(self) -> Literal["held", "turning"]:
        """As `machine.toml` calls it."""
        return "held" if self.speed is None else "turning"


@dataclass(frozen=True, slots=True, kw_only=True)
class BreakawayPlan:
    """Torques at which the machine starts to turn, read around a turn. Everything in SI.

    Parameters
    ----------
    friction : float
        What must be overcome at every position. [N m]
    cogging : float
        Amplitude of what comes on top, or helps, by position. [N m]
    steps : int
        How often it comes in a turn.
    positions : int
        Evenly spread over a turn, from a place that nobody chose.
    repeats : int
        Readings at each.
    scatter : float
        Of the friction from reading to reading, relative standard deviation.
    directions : tuple of {"", "a", "b"}
        Directions in which it is turned.
    """

    friction: float
    cogging: float = 0.0
    steps: int = 12
    positions: int = 10
    repeats: int = 1
    scatter: float = 0.05
    directions: tuple[Literal["", "a", "b"], ...] = ("",)


@dataclass(frozen=True, slots=True, kw_only=True)
class DrivePlan:
    """The input power of the drive motor is read in every driven test. Everything in SI.

    Parameters
    ----------
    alone_speeds : tuple of float
        Speeds at which the drive runs without the machine, on a sheet of its own. [rad/s]
    standing_power, torque, viscous : float
        What the drive takes for itself: at any speed [W], by speed [N m], and by its
        square [N m s/rad].
    efficiency : float
        Share of the power above its own that it hands on.
    """

    alone_speeds: tuple[float, ...] = ()
    standing_power: float = 20.0
    torque: float = 0.1
    viscous: float = 1e-4
    efficiency: float = 1.0
