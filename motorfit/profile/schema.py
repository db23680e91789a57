"""The profile as a file, version 1: what stands where, and what may stand there.

Numbers are finite throughout. Where infinity has a meaning, ``null`` stands for it:
degrees of freedom without end, an interval without an end on one side.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal, TypeAlias, TypeVar

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Discriminator,
    Field,
    Tag,
)

FORMAT = "motorfit-profile"
VERSION = 1
SCHEMA_DIALECT = "https://json-schema.org/draft/2020-12/schema"

Ends = TypeVar("Ends", bound=tuple[Any, ...])


def _in_order(ends: Ends) -> Ends:
    low, high = ends[:2]
    if low is not None and high is not None and low > high:
        raise ValueError("the lower end first")
    return ends


Number: TypeAlias = Annotated[float, Field(allow_inf_nan=False)]
NotNegative: TypeAlias = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Positive: TypeAlias = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Level: TypeAlias = Annotated[float, Field(gt=0, lt=1, allow_inf_nan=False)]
Freedom: TypeAlias = Annotated[
    Positive | None, Field(description="Effective degrees of freedom; null: infinitely many.")
]
Interval: TypeAlias = Annotated[
    tuple[Number | None, Number | None],
    AfterValidator(_in_order),
    Field(description="Lower and upper end; null: without an end on that side."),
]
Parameter: TypeAlias = Literal[
    "emf_constant",
    "armature_resistance",
    "brush_drop",
    "coulomb_torque",
    "viscous_coefficient",
    "windage_coefficient",
    "armature_reaction",
    "moment_of_inertia",
    "breakaway_torque",
    "thermal_resistance",
    "thermal_time_constant",
]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class MachinePart(_Part):
    """Which machine it is."""

    name: str
    kind: Literal["brushed-pm"]
    shaft: str
    serial: str | None = None
    type: str | None = None
    lot: str | None = None


class TemperaturePart(_Part):
    """The temperature that resistance and EMF constant are stated at."""

    value: Number
    unit: Literal["Cel"]


class EstimatePart(_Part):
    """A number that is known, with its uncertainty and how it came to be known."""

    value: Number
    unit: Annotated[str, Field(description="UCUM code.")]
    standard_uncertainty: NotNegative
    from_scatter: Annotated[NotNegative, Field(description="What more readings would shrink.")]
    from_instruments: Annotated[
        NotNegative, Field(description="What only better instruments would shrink.")
    ]
    interval: Interval
    level: Level
    method: str
    degrees_of_freedom: Freedom
    standing: Literal["measured", "combined", "assumed"]


class NotKnownPart(_Part):
    """A parameter without a value, and what would give it one."""

    unit: Annotated[str, Field(description="UCUM code.")]
    standing: Literal["combined", "assumed", "unmeasured"]
    needs: Annotated[str, Field(description="The test that would measure it.")]


def _has_value(part: Any) -> str:
    known = "value" in part if isinstance(part, dict) else isinstance(part, EstimatePart)
    return "known" if known else "not known"


ParameterPart: TypeAlias = Annotated[
    Annotated[EstimatePart, Tag("known")] | Annotated[NotKnownPart, Tag("not known")],
    Discriminator(_has_value),
]


class CombinationPart(_Part):
    """A combination of parameters that is known where they are not."""

    of: str
    at: Annotated[dict[str, Number], Field(description="Where it is known, in SI.")]
    value: Number
    unit: Annotated[str, Field(description="UCUM code.")]
    standard_uncertainty: NotNegative
    interval: Interval
    degrees_of_freedom: Freedom


class ConstantsPart(_Part):
    """What was assumed or stated, and enters predictions."""

    winding_constant: Annotated[Positive, Field(description="K")]
    magnet_coefficient: Annotated[Number | None, Field(description="1/K; null: magnets unknown.")]
    brush_current_scale: Annotated[Positive, Field(description="A")]
    inductance: Annotated[NotNegative | None, Field(description="H")]
    insulation: Annotated[str, Field(description="Thermal class, 105 to 180, or unknown.")]
    magnet: Literal["ferrite", "neodymium", "unknown"] = "unknown"
    heat_run_rotor: Annotated[
        Literal["held", "turning"] | None, Field(description="null: no heat run.")
    ] = None
    heat_run_speed: Annotated[
        NotNegative | None, Field(description="Of a heat run with the rotor turning, rad/s.")
    ] = None


class ThermalBodiesPart(_Part):
    """A winding that warms by itself in a frame."""

    winding_to_frame: EstimatePart
    winding_time_constant: EstimatePart
    frame_to_air: EstimatePart
    frame_time_constant: EstimatePart


class CovariancePart(_Part):
    """Covariance by scatter alone, in SI; the instruments' part stands with them."""

    order: list[Parameter]
    scatter: list[list[Number]]


class InstrumentPart(_Part):
    """One error of one instrument, and by how much it shifts each parameter."""

    quantity: str
    id: Annotated[str, Field(description="The same id in two profiles is the same instrument.")]
    range: str
    error: Literal["gain", "offset", "temperature"]
    shape: Literal["rectangular", "normal"]
    half_width: Annotated[
        NotNegative, Field(description="Of a rectangle; of a normal error its standard deviation.")
    ]
    unit: Annotated[str, Field(description="UCUM code of the error itself.")]
    sensitivity: dict[Parameter, Number]


class RangePart(_Part):
    """Where the machine was tested; outside it a prediction is an extrapolation."""

    speed: Annotated[tuple[Number, Number, Literal["rad/s"]], AfterValidator(_in_order)]
    current: Annotated[tuple[Number, Number, Literal["A"]], AfterValidator(_in_order)]
    winding: Annotated[tuple[Number, Number, Literal["Cel"]], AfterValidator(_in_order)]
    direction: str


class FindingPart(_Part):
    """Something worth knowing before the numbers are believed."""

    kind: str
    where: str
    says: str
    suggestion: str
    severity: Literal["error", "caution", "note", "good"]
    damage: Number


class ProvenancePart(_Part):
    """How the profile came about."""

    motorfit: Annotated[str, Field(description="Version that made it.")]
    files: Annotated[dict[str, str], Field(description="Each file with its SHA-256 sum.")]
    assumed: list[str]
    level: Level


class ProfilePart(_Part):
    """A machine profile: numbers of one machine with their joint uncertainty."""

    model_config = ConfigDict(title="motorfit machine profile, version 1")

    format: Literal["motorfit-profile"]
    version: Literal[1]
    machine: MachinePart
    reference_temperature: TemperaturePart
    parameters: dict[Parameter, ParameterPart]
    combinations: list[CombinationPart]
    constants: ConstantsPart
    thermal_bodies: Annotated[
        ThermalBodiesPart | None,
        Field(description="Where a heat run shows two bodies; null: one, or no heat run."),
    ] = None
    covariance: CovariancePart
    instruments: list[InstrumentPart]
    range: RangePart
    directions: Annotated[
        dict[Literal["a", "b"], dict[str, EstimatePart]],
        Field(description="What was found for each direction of turning, where both were read."),
    ]
    findings: list[FindingPart]
    provenance: ProvenancePart


def profile_schema() -> dict[str, Any]:
    """The JSON Schema of a profile.

    As JSON with an indent of two it is ``profile.schema.json``, here and in ``docs/``.
    """
    return {"$schema": SCHEMA_DIALECT, **ProfilePart.model_json_schema(mode="validation")}
