"""motorfit: from a dozen bench readings to a machine profile with honest intervals.

The public names are listed here and loaded when first used.
"""

from __future__ import annotations

import importlib
from typing import Any

_HOMES = {
    "Bench": "motorfit.bench.records",
    "BenchError": "motorfit.errors",
    "Estimate": "motorfit.estimate",
    "Finding": "motorfit.finding",
    "Fit": "motorfit.estimation.fit",
    "FitError": "motorfit.errors",
    "MachineProfile": "motorfit.profile.model",
    "MotorfitError": "motorfit.errors",
    "ProfileError": "motorfit.errors",
    "fit": "motorfit.estimation.fit",
    "load_profile": "motorfit.profile.storage",
    "read_bench": "motorfit.bench.folder",
    "simulate": "motorfit.simulation.bench",
}

__all__ = sorted(_HOMES)
__version__ = "0.1.0"


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'motorfit' has no attribute {name!r}")
    return getattr(importlib.import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return [*__all__, "__version__"]
