"""One table of driven readings, connected or not, as the two tests that are in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from motorfit.arrays import BoolArray
from motorfit.bench.kinds import KINDS
from motorfit.bench.records import Run

#: The columns of such a table; rows without current or load are open circuit.
DRIVEN = replace(
    KINDS["load"],
    title="table of driven readings",
    required=KINDS["open-circuit"].required,
    optional=KINDS["load"].optional | {"current", "load"},
)


def split_driven(run: Run) -> tuple[Run, ...]:
    """Split driven readings into those with nothing connected and those under load.

    Nothing is connected where neither a current other than zero nor a load is given.
    """
    current, load = run.get("current"), run.get("load")
    connected = (np.isfinite(current) & (current != 0.0)) | np.isfinite(load)
    parts = []
    if not connected.all():
        parts.append(
            replace(_rows_of(run, ~connected, without=("current", "load")), kind="open-circuit")
        )
    if connected.any():
        parts.append(_rows_of(run, connected))
    first, *others = parts
    return (first, *(replace(other, excluded=()) for other in others))


def _rows_of(run: Run, chosen: BoolArray, *, without: tuple[str, ...] = ()) -> Run:
    def of(texts: Sequence[str]) -> tuple[str, ...]:
        return tuple(text for text, here in zip(texts, chosen, strict=True) if here)

    return replace(
        run,
        rows=run.rows[chosen],
        readings={
            name: values[chosen]
            for name, values in run.readings.items()
            if name not in without and np.isfinite(values[chosen]).any()
        },
        written_step={name: step for name, step in run.written_step.items() if name not in without},
        extra={name: values[chosen] for name, values in run.extra.items()},
        setting=of(run.setting),
        direction=of(run.direction),
        note=of(run.note),
    )
