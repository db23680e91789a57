"""The kinds of bench test, and what each may record."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

Kind = Literal[
    "open-circuit",
    "load",
    "no-load-motor",
    "brake",
    "resistance",
    "coast-down",
    "heat-run",
    "breakaway",
    "zero",
]

#: Quantities that a column can hold as numbers, in the order of the sheets.
QUANTITIES = (
    "time",
    "speed",
    "voltage",
    "current",
    "load",
    "torque",
    "force",
    "arm",
    "drive_power",
    "position",
    "winding",
    "magnets",
    "ambient",
)

#: Columns of text that every table may have.
REMARKS = ("setting", "direction", "note", "exclude")

#: Temperatures that every table may have.
TEMPERATURES = ("winding", "magnets", "ambient")


@dataclass(frozen=True, slots=True, kw_only=True)
class TestKind:
    """One kind of test.

    Each group in ``required`` lists alternatives, each a set of columns: a sheet must
    have all columns of at least one alternative of every group.
    """

    name: Kind
    title: str  # in the trade's words
    required: tuple[tuple[frozenset[str], ...], ...]
    optional: frozenset[str]
    generating: bool = False  # the machine is driven: current and torque are negative inside
    used: bool = True  # its equations are in the fit of this release

    @property
    def columns(self) -> frozenset[str]:
        """Every column that a sheet of this kind may have."""
        required = {name for group in self.required for option in group for name in option}
        return frozenset(required) | self.optional | set(TEMPERATURES) | set(REMARKS)

    @property
    def follows_time(self) -> bool:
        """Whether each reading has its time, counted from the first."""
        return any("time" in option for group in self.required for option in group)


def _all(*names: str) -> tuple[frozenset[str], ...]:
    return (frozenset(names),)


def _either(*options: tuple[str, ...]) -> tuple[frozenset[str], ...]:
    return tuple(frozenset(option) for option in options)


_SHAFT_TORQUE = _either(("torque",), ("force", "arm"))

KINDS: dict[Kind, TestKind] = {
    kind.name: kind
    for kind in (
        TestKind(
            name="open-circuit",
            title="open-circuit characteristic",
            required=(_all("speed", "voltage"),),
            optional=frozenset({"torque", "force", "arm", "drive_power"}),
            generating=True,
        ),
        TestKind(
            name="load",
            title="load test",
            required=(_all("speed", "voltage"), _either(("current",), ("load",))),
            optional=frozenset({"torque", "force", "arm", "drive_power"}),
            generating=True,
        ),
        TestKind(
            name="no-load-motor",
            title="no-load test",
            required=(_all("speed", "voltage", "current"),),
            optional=frozenset(),
        ),
        TestKind(
            name="brake",
            title="brake test",
            required=(_all("speed", "voltage", "current"), _SHAFT_TORQUE),
            optional=frozenset(),
        ),
        TestKind(
            name="resistance",
            title="resistance by the volt-ampere method",
            required=(_all("voltage", "current"),),
            optional=frozenset({"position"}),
        ),
        TestKind(
            name="coast-down",
            title="retardation test",
            required=(_all("time"), _either(("speed",), ("voltage",))),
            optional=frozenset({"current", "load"}),
            generating=True,
        ),
        TestKind(
            name="heat-run",
            title="temperature-rise test",
            required=(_all("time", "current"), _either(("voltage",), ("winding",))),
            optional=frozenset({"speed"}),
        ),
        TestKind(
            name="breakaway",
            title="breakaway torque",
            required=(_SHAFT_TORQUE,),
            optional=frozenset({"position"}),
        ),
        TestKind(
            name="zero",
            title="what the meters show with nothing to show",
            required=(_either(("voltage",), ("current",), ("force",), ("torque",)),),
            optional=frozenset(),
        ),
    )
}


def drive_alone(test: TestKind) -> TestKind:
    """The same test of a drive that ran without the machine: speed and its own power."""
    return replace(
        test,
        title=f"{test.title}, drive alone",
        required=(_all("speed", "drive_power"),),
        optional=test.columns - {"speed", "drive_power", *TEMPERATURES, *REMARKS},
    )
