"""What `machine.toml` and `kit.toml` may say, each table with its defaults.

Quantities are texts with a unit, "22 degC +- 5 K", and are held in SI.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable
from typing import Annotated, Any, Literal

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationInfo,
    field_validator,
)

from motorfit.meter import Accuracy, Calibration, Instrument
from motorfit.quantities import (
    Stated,
    UnreadableError,
    read_accuracy,
    read_calibration,
    read_quantity,
    read_width,
)
from motorfit.units import EXAMPLES, SI_UNITS


def _text(value: Any) -> Any:
    """A serial number, a year or a date means its text, with quotes or without."""
    if isinstance(value, (int, float, datetime.date)) and not isinstance(value, bool):
        return str(value)
    return value


def _wants_text(value: Any, example: str, what: str) -> str:
    if isinstance(value, str):
        return value
    unit = example.split(" ", 1)[-1]
    plain = isinstance(value, (int, float)) and not isinstance(value, bool)
    raise UnreadableError(
        found=f"{value} without a unit" if plain else repr(value),
        expected=f"{what} in quotes, with its unit",
        remedy=f'Write "{value} {unit}" if it is in {unit}.' if plain else f'Write "{example}".',
    )


def _claim(value: Any) -> Any:
    """A claim means nothing without its unit."""
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        raise UnreadableError(
            found=f"{value} without a unit",
            expected="the claim in quotes, with its unit",
            remedy=f'Write "{value} V", "{value} rpm" or whatever the label says.',
        )
    return value


def _quantity(
    dimension: str, *, above: float = float("-inf"), least: float = float("-inf")
) -> BeforeValidator:
    """A validator of texts such as "22 degC +- 5 K"."""
    example, named = EXAMPLES[SI_UNITS[dimension]], dimension.replace("_", " ")
    named = f"{'an' if named[0] in 'aeiou' else 'a'} {named}"

    def read(value: Any) -> Stated:
        if isinstance(value, Stated):
            return value
        stated = read_quantity(_wants_text(value, example, named), dimension)
        if stated.value <= above or stated.value < least:
            raise UnreadableError(
                found=f'"{stated.text}"',
                expected=f"{named} {'above' if stated.value <= above else 'of at least'} zero",
                remedy=f'Write it like "{example}", or leave the line out.',
            )
        return stated

    return BeforeValidator(read)


Text = Annotated[str, BeforeValidator(_text)]
Claim = Annotated[str, BeforeValidator(_claim)]
Temperature = Annotated[Stated, _quantity("temperature")]
Positive = Annotated[float, Field(gt=0, strict=True)]


class _Table(BaseModel):
    model_config = ConfigDict(
        extra="forbid", frozen=True, arbitrary_types_allowed=True, allow_inf_nan=False
    )


class MachineTable(_Table):
    """`[machine]`: what the machine is."""

    name: Text
    serial: Text | None = None
    type: Text | None = None
    lot: Text | None = None
    kind: Literal["brushed-pm"] = "brushed-pm"
    shaft: Literal["motor", "gearbox output"] = "motor"
    gear: Positive | None = None
    winding_material: Literal["copper", "aluminium"] = "copper"
    brush_material: Literal["carbon", "metal-graphite", "precious-metal", "unknown"] = "unknown"
    magnet: Literal["ferrite", "neodymium", "unknown"] = "unknown"
    insulation: Annotated[
        Literal["unknown", "105", "120", "130", "155", "180"], BeforeValidator(_text)
    ] = "unknown"
    moment_of_inertia: Annotated[Stated, _quantity("inertia", above=0.0)] | None = None  # [kg m2]
    inductance: Annotated[Stated, _quantity("inductance", above=0.0)] | None = None  # [H]


class BenchTable(_Table):
    """`[bench]`: when, by whom, where."""

    date: Text = ""
    by: Text = ""
    place: Text = ""


class ConditionsTable(_Table):
    """`[conditions]`: temperatures where a table has no column for them. [degC]"""

    winding: Temperature = Stated(value=20.0, half_width=5.0)
    ambient: Temperature | None = None  # default: as the winding, cold
    magnets: Temperature | None = None  # default: as the ambient
    reference: Temperature = Stated(value=25.0)


class SpeedTable(_Table):
    """`[speed]`: from what the speed sensor shows to the shaft."""

    ratio: Positive = 1.0
    pulses_per_rev: Positive = 1.0
    checked: Text = ""


class HeatRunTable(_Table):
    """`[heat_run]`: how the heat run was made."""

    rotor: Literal["held", "turning"] = "held"


def _read_efficiency(value: Any) -> Stated:
    """A share of at most all, "75 % +- 10 %"; a bare number is one too."""
    if isinstance(value, Stated):
        return value
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        value = str(value)
    example = "75 % +- 10 %"
    stated = read_quantity(_wants_text(value, example, "an efficiency"), "dimensionless")
    if not 0 < stated.value <= 1 or not stated.half_width < stated.value:
        raise UnreadableError(
            found=f'"{stated.text}"',
            expected="an efficiency above zero and at most 100 %",
            remedy=f'Write it like "{example}".',
        )
    return stated


class DriveTable(_Table):
    """`[drive]`: what turns the machine, where its own input power is read."""

    efficiency: Annotated[Stated, BeforeValidator(_read_efficiency)] | None = None


class LeadsTable(_Table):
    """`[leads]`: between the machine and the voltmeter, where it is not at the terminals."""

    resistance: Annotated[Stated, _quantity("resistance", least=0.0)] = Stated(value=0.0)  # [ohm]


class ShelfTable(_Table):
    """`[shelf]`: what is at hand to load the machine."""

    resistors: tuple[str, ...] = ()


class ClaimsTable(BaseModel):
    """`[claims]`: the label's or the seller's words, under names of their own."""

    model_config = ConfigDict(extra="allow", frozen=True)
    __pydantic_extra__: dict[str, Claim] = Field(init=False)


def _by_quantity(read: Callable[[Any, str], Any]) -> BeforeValidator:
    """A validator that needs to know what the instrument reads, from the context."""

    def validate(value: Any, info: ValidationInfo) -> Any:
        return read(value, (info.context or {})["quantity"])

    return BeforeValidator(validate)


def _read_accuracy(value: Any, quantity: str) -> Accuracy:
    if isinstance(value, str):
        return read_accuracy(value, quantity)
    raise UnreadableError(
        found=repr(value),
        expected="an accuracy in quotes, as in the meter's manual",
        remedy='Write it like "0.5 % + 2 digits", "1 %" or "unknown".',
    )


def _read_resolution(value: Any, quantity: str) -> float:
    example = f"0.01 {EXAMPLES[SI_UNITS[quantity]].split(' ', 1)[-1]}"
    return read_width(_wants_text(value, example, "a resolution"), quantity)


def _read_calibration(value: Any) -> Calibration:
    return read_calibration(_wants_text(value, "+0.12 % +- 0.05 %", "a calibration"))


class InstrumentTable(_Table):
    """`[instruments.voltage]` and its like: what is printed on one instrument.

    To be validated with ``context={"quantity": ...}``.
    """

    accuracy: Annotated[Accuracy, _by_quantity(_read_accuracy)] | None = None
    counts: Annotated[int, Field(ge=10, strict=True)] | None = None
    resolution: Annotated[float, _by_quantity(_read_resolution)] | None = None
    input_resistance: Annotated[Stated, _quantity("resistance", above=0.0)] | None = None
    burden: Annotated[Stated, _quantity("resistance", least=0.0)] | None = None
    id: Text = ""
    calibration: Annotated[Calibration, BeforeValidator(_read_calibration)] | None = None

    @field_validator("resolution")
    @classmethod
    def _one_way(cls, value: float | None, info: ValidationInfo) -> float | None:
        if value is not None and info.data.get("counts") is not None:
            raise UnreadableError(
                found="both counts and resolution",
                expected="one of them",
                remedy="counts are for a meter that changes its range with the reading; "
                "leave the other out.",
            )
        return value

    @field_validator("input_resistance", "burden")
    @classmethod
    def _where_it_belongs(cls, value: Stated | None, info: ValidationInfo) -> Stated | None:
        meter = {"input_resistance": "voltage", "burden": "current"}[info.field_name or ""]
        if (info.context or {})["quantity"] != meter:
            raise UnreadableError(
                found=f"{info.field_name} for another instrument",
                expected=f"it under [instruments.{meter}]",
                remedy="Move the line there.",
            )
        return value


class Settings(_Table):
    """Everything that the TOML files of a bench say, `machine.toml` over `kit.toml`."""

    machine: MachineTable
    bench: BenchTable = BenchTable()
    conditions: ConditionsTable = ConditionsTable()
    speed: SpeedTable = SpeedTable()
    heat_run: HeatRunTable = HeatRunTable()
    drive: DriveTable = DriveTable()
    leads: LeadsTable = LeadsTable()
    shelf: ShelfTable = ShelfTable()
    claims: dict[str, str] = Field(default_factory=dict)
    instruments: dict[tuple[str, str], Instrument] = Field(default_factory=dict)
