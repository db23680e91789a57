"""`machine.toml` and `kit.toml`: what is known of the machine and of the instruments."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from motorfit.meter import Instrument
from motorfit.quantities import Stated


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)


class MachineTable(_Table):
    """`[machine]`: what the machine is."""

    name: str
    serial: str | None = None
    type: str | None = None
    lot: str | None = None
    kind: Literal["brushed-pm"] = "brushed-pm"
    shaft: Literal["motor", "gearbox output"] = "motor"
    gear: float | None = Field(default=None, gt=0)
    winding_material: Literal["copper", "aluminium"] = "copper"
    brush_material: Literal["carbon", "metal-graphite", "precious-metal", "unknown"] = "unknown"
    magnet: Literal["ferrite", "neodymium", "unknown"] = "unknown"
    insulation: Literal["unknown", "105", "120", "130", "155", "180"] = "unknown"
    moment_of_inertia: Stated | None = None  # [kg m2]
    inductance: Stated | None = None  # [H]


class BenchTable(_Table):
    """`[bench]`: when, by whom, where."""

    date: str = ""
    by: str = ""
    place: str = ""


class ConditionsTable(_Table):
    """`[conditions]`: temperatures where a table has no column for them. [degC]"""

    winding: Stated = Stated(value=20.0, half_width=5.0)
    ambient: Stated | None = None  # default: as the winding, cold
    magnets: Stated | None = None  # default: as the ambient
    reference: Stated = Stated(value=25.0)


class SpeedTable(_Table):
    """`[speed]`: from what the speed sensor shows to the shaft."""

    ratio: float = Field(default=1.0, gt=0)
    pulses_per_rev: float = Field(default=1.0, gt=0)
    checked: str = ""


class HeatRunTable(_Table):
    """`[heat_run]`: how the heat run was made."""

    rotor: Literal["held", "turning"] = "held"


class LeadsTable(_Table):
    """`[leads]`: between the machine and the voltmeter, where it is not at the terminals."""

    resistance: Stated = Stated(value=0.0)  # [ohm]


class ShelfTable(_Table):
    """`[shelf]`: what is at hand to load the machine."""

    resistors: tuple[str, ...] = ()


class Settings(_Table):
    """Everything that the TOML files of a bench say, `machine.toml` over `kit.toml`."""

    machine: MachineTable
    bench: BenchTable = BenchTable()
    conditions: ConditionsTable = ConditionsTable()
    speed: SpeedTable = SpeedTable()
    heat_run: HeatRunTable = HeatRunTable()
    leads: LeadsTable = LeadsTable()
    shelf: ShelfTable = ShelfTable()
    claims: dict[str, str] = Field(default_factory=dict)
    instruments: dict[tuple[str, str], Instrument] = Field(default_factory=dict)
