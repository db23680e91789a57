"""One simulated bench of a scenario, fitted and held against the truth."""

from __future__ import annotations

import zlib
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from motorfit.bench.plausibility import check_plausibility
from motorfit.errors import FitError
from motorfit.estimate import Estimate
from motorfit.estimation.fit import Fit, fit
from motorfit.machine.brushed import loss_torque
from motorfit.simulation.bench import simulate_with_truth
from motorfit.studies.scenarios import SCENARIOS, Scenario

Draw = Literal["rectangular", "normal"]

#: Parameters by their symbol.
SYMBOLS = {
    "k": "emf_constant",
    "R": "armature_resistance",
    "Vb": "brush_drop",
    "T0": "coulomb_torque",
    "b": "viscous_coefficient",
}

#: The loss at the speed that the first screen shows it at.
LOSS = "loss"


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """One quantity of one fitted bench, beside its truth."""

    quantity: str
    truth: float
    value: float
    standard_uncertainty: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """One fitted bench."""

    scenario: str
    results: tuple[Result, ...]  # of what had a value
    false_findings: tuple[str, ...]  # kinds of errors and cautions, on a bench without a slip
    failed: bool = False


def seed_of(scenario: str, number: int, seed: int) -> int:
    """A seed for each bench, whatever other scenarios there are and in what order they run."""
    parts = [seed, zlib.crc32(scenario.encode()), number]
    return int(np.random.SeedSequence(parts).generate_state(1)[0])


def trial(scenario: str, number: int, *, seed: int, level: float, draw: Draw) -> Trial:
    """Simulate, fit and compare one bench.

    Parameters
    ----------
    scenario : str
        One of `SCENARIOS`.
    number : int
        Which bench of the scenario.
    seed : int
        Of the whole study.
    level : float
        Coverage of the intervals.
    draw : {"rectangular", "normal"}
        How the meters' errors are drawn.

    Returns
    -------
    Trial
    """
    chosen = SCENARIOS[scenario].drawn(draw)
    bench, _ = simulate_with_truth(
        chosen.machine,
        plan=chosen.plan,
        kit=chosen.kit,
        conditions=chosen.conditions,
        seed=seed_of(scenario, number, seed),
    )
    sense = check_plausibility(bench.runs, bench.settings, bench.instruments)
    try:
        fitted = fit(replace(bench, findings=sense), level=level)
    except FitError:
        return Trial(scenario=scenario, results=(), false_findings=(), failed=True)
    return Trial(
        scenario=scenario,
        results=tuple(_results(fitted, chosen)),
        false_findings=tuple(
            finding.kind
            for finding in fitted.findings
            if finding.severity in ("error", "caution") and finding.kind not in chosen.true_findings
        ),
    )


def truths(scenario: Scenario) -> dict[str, float]:
    """What a fit of the scenario estimates, by symbol.

    Where both directions were read, the parameters are those of direction a. Friction that
    wanders has its long-run mean. The brush drop is the running machine's.
    """
    found = {
        symbol: float(np.asarray(getattr(scenario.machine, name)))
        for symbol, name in SYMBOLS.items()
    }
    if scenario.plan.directions == ("a", "b"):
        found["k"] *= 1.0 + 0.5 * scenario.conditions.direction_effect
    return found


def _results(fitted: Fit, scenario: Scenario) -> list[Result]:
    found = []
    for symbol, truth in truths(scenario).items():
        estimate = fitted.parameters[SYMBOLS[symbol]]
        if isinstance(estimate, Estimate):
            found.append(_result(symbol, estimate, truth))
    if fitted.loss is not None:
        truth = float(loss_torque(scenario.machine, fitted.loss.speed))
        found.append(_result(LOSS, fitted.loss.torque, truth))
    return found


def _result(quantity: str, estimate: Estimate, truth: float) -> Result:
    return Result(
        quantity=quantity,
        truth=truth,
        value=estimate.value,
        standard_uncertainty=estimate.standard_uncertainty,
        low=estimate.interval[0],
        high=estimate.interval[1],
    )
