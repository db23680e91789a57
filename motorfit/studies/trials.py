"""One simulated bench of a scenario, fitted: its estimates, intervals and findings."""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.bench.plausibility import check_plausibility
from motorfit.bench.records import Bench
from motorfit.errors import FitError, ProfileError
from motorfit.estimate import Estimate
from motorfit.estimation.fit import Fit, fit
from motorfit.estimation.intervals import Method
from motorfit.estimation.physics import MACHINE_PARAMETERS
from motorfit.estimation.terms import PARAMETER
from motorfit.machine.brushed import loss_torque, terminal_voltage
from motorfit.profile.prediction import Prediction
from motorfit.profile.propagation import machine_of
from motorfit.simulation.bench import simulate
from motorfit.studies.bound import SYMBOLS, Point, reference
from motorfit.studies.scenarios import SCENARIOS, Scenario

Draw = Literal["rectangular", "normal"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """How the benches of a study are drawn and fitted."""

    seed: int
    level: float = 0.95
    draw: Draw = "rectangular"  # the meters' own errors
    intervals: tuple[Method, ...] = ("linear",)
    draws: int = 2000  # of the intervals that are made of draws


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """One quantity of one fitted bench."""

    quantity: str
    interval: str  # how it was made, as asked
    value: float
    standard_uncertainty: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """One fitted bench."""

    scenario: str
    results: tuple[Result, ...]  # of what had a value
    false_errors: tuple[str, ...] = ()  # kinds of findings, on a bench without a slip
    false_cautions: tuple[str, ...] = ()
    claimed: tuple[str, ...] = ()  # optional terms that came in by themselves: it has none
    failed: bool = False


def seed_of(scenario: str, number: int, seed: int) -> int:
    """A seed for each bench, whatever other scenarios there are and in what order they run."""
    parts = [seed, zlib.crc32(scenario.encode()), number]
    return int(np.random.SeedSequence(parts).generate_state(1)[0])


def bench_of(scenario: Scenario, seed: int) -> Bench:
    """A bench of a scenario, with what a look at its readings finds before any fit."""
    bench = simulate(
        scenario.machine_of(seed),
        plan=scenario.plan_of(seed),
        kit=scenario.kit,
        conditions=scenario.conditions,
        moment_of_inertia=scenario.moment_of_inertia,
        seed=seed,
    )
    return looked_at(bench)


def looked_at(bench: Bench) -> Bench:
    """The bench with what a look at its readings finds."""
    sense = check_plausibility(bench.runs, bench.settings, bench.instruments)
    return replace(bench, findings=sense)


def trial(name: str, number: int, ask: Ask) -> Trial:
    """Simulate and fit one bench.

    Parameters
    ----------
    name : str
        A scenario of `SCENARIOS`.
    number : int
        Which bench of the scenario.
    ask : Ask
        How it is drawn and fitted.

    Returns
    -------
    Trial
    """
    scenario = SCENARIOS[name].drawn(ask.draw)
    seed = seed_of(name, number, ask.seed)
    bench = bench_of(scenario, seed)
    point = reference(name, ask.level, ask.draw).point
    results: list[Result] = []
    try:
        for interval in ask.intervals:
            fitted = fit(bench, level=ask.level, interval=interval, draws=ask.draws, seed=seed)
            results += results_of(fitted, point, interval)
    except FitError:
        return Trial(scenario=name, results=(), failed=True)
    return Trial(
        scenario=name,
        results=tuple(results),
        false_errors=_kinds(fitted, "error", scenario),
        false_cautions=_kinds(fitted, "caution", scenario),
        claimed=claimed_terms(fitted),
    )


def claimed_terms(fitted: Fit) -> tuple[str, ...]:
    """The optional terms of the machine that a fit left to the readings claims."""
    return tuple(
        one.term for one in fitted.terms if one.term in PARAMETER and one.included and not one.asked
    )


def _kinds(fitted: Fit, severity: str, scenario: Scenario) -> tuple[str, ...]:
    return tuple(
        finding.kind
        for finding in fitted.findings
        if finding.severity == severity and finding.kind not in scenario.true_findings
    )


def results_of(fitted: Fit, point: Point, interval: str) -> Iterator[Result]:
    """What a fit says of every quantity that has a value, predictions at a point included.

    Parameters
    ----------
    fitted : Fit
        Of one bench.
    point : Point
        Where the predictions are made.
    interval : str
        How its intervals were made.

    Yields
    ------
    Result
    """
    for symbol, index in SYMBOLS.items():
        estimate = fitted.parameters[MACHINE_PARAMETERS[index]]
        if isinstance(estimate, Estimate):
            yield Result(
                quantity=symbol,
                interval=interval,
                value=estimate.value,
                standard_uncertainty=estimate.standard_uncertainty,
                low=estimate.interval[0],
                high=estimate.interval[1],
            )
    for name, prediction in _predictions(fitted, point).items():
        low, high = (float(end) for end in prediction.interval(fitted.level))
        if fitted.draws is not None:
            low, high = _quantiles(_drawn(fitted.draws, fitted, name, point), fitted.level)
            low = max(low, prediction.bounds[0])
        yield Result(
            quantity=name,
            interval=interval,
            value=float(prediction.value),
            standard_uncertainty=float(prediction.standard_uncertainty),
            low=low,
            high=high,
        )


def _predictions(fitted: Fit, point: Point) -> dict[str, Prediction]:
    """Those that need nothing without a value."""
    profile, found = fitted.profile, {}
    with suppress(ProfileError):
        for name, share in _SHARES.items():
            current = share * point.full_current
            found[name] = profile.voltage(speed=point.speed, current=current)
    with suppress(ProfileError):
        found["loss W"] = profile.loss_power(speed=point.speed)
    return found


#: Share of the full current of each predicted voltage.
_SHARES = {"V half": 0.5, "V full": 1.0}


def _drawn(draws: Mapping[str, FloatArray], fitted: Fit, name: str, point: Point) -> FloatArray:
    """A prediction from each draw of the parameters, shape (B,)."""
    fields = {key: draws[key] for key in _FIELDS if key in draws}
    scale = np.asarray(fitted.profile.constants.brush_current_scale)
    machine = machine_of(fields | {"brush_current_scale": scale})
    if name in _SHARES:
        return terminal_voltage(machine, point.speed, _SHARES[name] * point.full_current)
    return np.asarray(loss_torque(machine, point.speed) * point.speed)


_FIELDS = MACHINE_PARAMETERS[:7]


def _quantiles(draws: FloatArray, level: float) -> tuple[float, float]:
    tail = 0.5 * (1.0 - level)
    low, high = np.quantile(draws, [tail, 1.0 - tail])
    return float(low), float(high)
