"""Faults that no residual shows: what a bench takes for a property of its machine."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from motorfit.bench.records import Bench, Run
from motorfit.estimation.joint import fit_jointly
from motorfit.estimation.problem import pose
from motorfit.estimation.visibility import noncentrality
from motorfit.studies.scenarios import SCENARIOS
from motorfit.studies.trials import bench_of, seed_of

#: Benches whose middle noncentrality is told.
_BENCHES = 5

#: A bench of five tests, and one of two.
HIDDEN_IN = ("plain meters", "three open-circuit, four load readings")


@dataclass(frozen=True, slots=True)
class Hidden:
    """A fault and what would reveal it."""

    change: Callable[[Run], Run]
    reveals: str


def _changed(run: Run, quantity: str, by: np.ndarray | float) -> Run:
    return replace(run, readings={**run.readings, quantity: run.get(quantity) + by})


def _in_leads(run: Run, ohms: float) -> Run:
    """Voltage read behind leads that nobody told of."""
    if "current" not in run.readings or "voltage" not in run.readings:
        return run
    return _changed(run, "voltage", ohms * run.get("current"))


def _if(kind: str, change: Callable[[Run], Run]) -> Callable[[Run], Run]:
    return lambda run: change(run) if run.kind == kind else run


HIDDEN: Mapping[str, Hidden] = {
    "leads of 0.05 ohm that nobody told of, in all tests": Hidden(
        lambda run: _in_leads(run, 0.05),
        "the voltmeter's leads at the machine's own terminals, apart from those of the current",
    ),
    "the same in the load test only": Hidden(
        _if("load", lambda run: _in_leads(run, 0.05)),
        "a resistance test, or a no-load run at two voltages",
    ),
    "every voltage of the load test 0.1 V too low": Hidden(
        _if("load", lambda run: _changed(run, "voltage", -0.1)),
        "a no-load run at two voltages, where the brushes' drop has the other sign",
    ),
    "every speed of every test 2 % too high": Hidden(
        lambda run: (
            _changed(run, "speed", 0.02 * run.get("speed")) if "speed" in run.readings else run
        ),
        "30 turns counted against a watch; a brake test, whose torque tells k by itself",
    ),
}


def hidden_table(seed: int) -> pd.DataFrame:
    """How little the residuals show of each, as the middle noncentrality of a few benches.

    Parameters
    ----------
    seed : int
        Of the whole study.

    Returns
    -------
    DataFrame
        ``name``, one column for each of `HIDDEN_IN`, and ``reveals``, the reading that
        would tell.
    """
    rows: list[dict[str, object]] = []
    for name, fault in HIDDEN.items():
        row: dict[str, object] = {"name": name, "reveals": fault.reveals}
        for scenario in HIDDEN_IN:
            sizes = [
                _size(bench_of(SCENARIOS[scenario], seed_of(scenario, number, seed)), fault)
                for number in range(_BENCHES)
            ]
            row[scenario] = float(np.median(sizes))
        rows.append(row)
    return pd.DataFrame(rows)


def _size(bench: Bench, fault: Hidden) -> float:
    faulty = replace(bench, runs=tuple(fault.change(run) for run in bench.runs))
    return noncentrality(fit_jointly(pose(bench)), faulty)
