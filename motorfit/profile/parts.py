"""What a machine profile is made of, besides its numbers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from motorfit.estimate import Estimate

#: Parameters in the order of covariance and tables, with their UCUM units.
PARAMETER_UNITS: dict[str, str] = {
    "emf_constant": "V.s/rad",
    "armature_resistance": "Ohm",
    "brush_drop": "V",
    "coulomb_torque": "N.m",
    "viscous_coefficient": "N.m.s/rad",
    "windage_coefficient": "N.m.s2/rad2",
    "armature_reaction": "1/A",
    "moment_of_inertia": "kg.m2",
    "breakaway_torque": "N.m",
    "thermal_resistance": "K/W",
    "thermal_time_constant": "s",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """Which machine it is."""

    name: str
    kind: str = "brushed-pm"
    shaft: str = "motor"
    serial: str | None = None
    type: str | None = None
    lot: str | None = None

    @property
    def title(self) -> str:
        """The name, with the shaft that all numbers are of where it is a gear's.

        Examples
        --------
        >>> Machine(name="gate opener", shaft="gearbox output").title
        'gate opener, at the gearbox output'
        """
        return self.name if self.shaft == "motor" else f"{self.name}, at the {self.shaft}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Combination:
    """A combination that is known where its parts are not: `R + Vb/i` at one current."""

    of: str  # "armature_resistance + brush_drop/current"
    at: Mapping[str, float]  # {"current": 2.1} in SI; empty where it holds anywhere
    value: float
    unit: str
    standard_uncertainty: float
    interval: tuple[float, float]
    degrees_of_freedom: float


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentError:
    """One error of one instrument, and what it does to each parameter.

    A parameter is off by ``sensitivity`` times the error, whose standard uncertainty is
    ``half_width / sqrt(3)`` where rectangular and ``half_width`` where normal.
    """

    quantity: str
    id: str
    range: str  # "40 V"; "" for an instrument with one range
    error: Literal["gain", "offset", "temperature"]
    shape: Literal["rectangular", "normal"]
    half_width: float
    unit: str  # UCUM: "1" for a gain
    sensitivity: Mapping[str, float]

    @property
    def standard_uncertainty(self) -> float:
        """Of the error itself (JCGM 100, 4.3.7)."""
        return self.half_width / (3.0**0.5 if self.shape == "rectangular" else 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Constants:
    """What was assumed or taken from the settings, and enters predictions."""

    winding_constant: float = 234.5  # [K]
    magnet_coefficient: float | None = None  # [1/K]; None: magnets unknown, not corrected
    brush_current_scale: float = 0.1  # [A]
    inductance: float | None = None  # [H]
    insulation: str = "unknown"  # thermal class: "105", "120", "130", "155", "180"
    magnet: Literal["ferrite", "neodymium", "unknown"] = "unknown"
    heat_run_rotor: Literal["held", "turning"] | None = None  # None: no heat run
    heat_run_speed: float | None = None  # of a turning one [rad/s]


@dataclass(frozen=True, slots=True, kw_only=True)
class ThermalBodies:
    """A winding that warms by itself in a frame, where the heat run shows two bodies.

    The parameter `thermal_resistance` is then that of both in series,
    `thermal_time_constant` that of the frame.
    """

    winding_to_frame: Estimate  # [K/W]
    winding_time_constant: Estimate  # winding_to_frame times its heat capacity [s]
    frame_to_air: Estimate  # [K/W]
    frame_time_constant: Estimate  # frame_to_air times its heat capacity [s]


@dataclass(frozen=True, slots=True, kw_only=True)
class Range:
    """Where the machine was tested; outside it a prediction is an extrapolation."""

    speed: tuple[float, float]  # [rad/s]
    current: tuple[float, float]  # magnitudes [A]
    winding: tuple[float, float]  # [degC]
    direction: str = ""  # "a", "b", "" unknown


@dataclass(frozen=True, slots=True, kw_only=True)
class Provenance:
    """How the profile came about."""

    motorfit: str
    files: Mapping[str, str]  # name -> "sha256:..."
    assumed: tuple[str, ...]
    level: float
