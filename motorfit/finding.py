"""Something the readings tell about themselves: a slip, a doubt, or good news."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal, get_args

Severity = Literal["error", "caution", "note", "good"]

#: The gravest first.
SEVERITIES: tuple[Severity, ...] = get_args(Severity)


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing worth knowing before the numbers are believed.

    A finding never refuses and never corrects: it says where, what and what to do.
    """

    kind: str  # short, stable, for machines: "outlier", "voltage-current-mixed"
    where: str  # "load.csv:14", "load.csv", or "bench"
    says: str  # one or two plain sentences with the evidence as a number
    suggestion: str = ""  # what to do at the bench
    severity: Severity = "caution"
    damage: float = 1.0  # orders findings of one severity; larger is shown first

    @property
    def grave(self) -> bool:
        """Whether it may mislead: no note, and no good news."""
        return self.severity in ("error", "caution")


def worst_first(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Findings by severity, the most damaging of each first, good news last."""
    return tuple(sorted(findings, key=lambda each: (SEVERITIES.index(each.severity), -each.damage)))
