"""Virtual benches with one known fault of a known size."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from virtual_benches import TRUE

from motorfit.arrays import FloatArray
from motorfit.bench.records import Bench, Run
from motorfit.estimation.explanation import explain
from motorfit.estimation.joint import fit_jointly
from motorfit.estimation.problem import pose
from motorfit.estimation.search import Explained
from motorfit.simulation.bench import simulate
from motorfit.simulation.plan import BenchPlan

#: Enough of everything that each fault shows.
PLAN = BenchPlan(
    open_circuit_speeds=(60.0, 110.0, 160.0, 210.0),
    load_speeds=(80.0, 130.0, 180.0, 230.0),
    load_resistors=(2.2, 4.7, 10.0),
    supply_voltages=(8.0, 12.0, 16.0, 20.0, 24.0),
    resistance_currents=(1.0, 2.0, 3.0),
    positions=3,
    zeros=("voltage", "current"),
)


def usual(seed: int = 1, **machine: float) -> Bench:
    """A clean bench of `PLAN`, perhaps of another machine."""
    return simulate(replace(TRUE, **machine), plan=PLAN, seed=seed)


def changed(bench: Bench, file: str, **columns: Callable[[FloatArray, Run], FloatArray]) -> Bench:
    """A bench with some columns of one sheet changed."""
    runs = tuple(
        replace(
            run,
            readings={
                **run.readings,
                **{name: np.asarray(new(run.get(name), run)) for name, new in columns.items()},
            },
        )
        if run.source.name == file
        else run
        for run in bench.runs
    )
    return replace(bench, runs=runs)


def only(bench: Bench, *kinds: str) -> Bench:
    """A bench with the tests of some kinds."""
    return replace(bench, runs=tuple(run for run in bench.runs if run.kind in kinds))


def explained(bench: Bench) -> Explained:
    """What is wrong with a bench fitted without optional terms."""
    return explain(bench, fit_jointly(pose(bench)))
