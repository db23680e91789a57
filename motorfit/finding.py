"""Something the readings tell about themselves: a slip, a doubt, or good news."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Severity = Literal["error", "caution", "note", "good"]


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
