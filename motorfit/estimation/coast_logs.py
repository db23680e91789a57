"""Logs of coasting machines, each reduced to a few rates that the joint fit can use."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.bench.records import Bench, Rates, Run
from motorfit.estimation.brush_scale import BRUSH_SCALE_SHARE
from motorfit.estimation.guesses import DrivenGuess, driven_guess
from motorfit.estimation.retardation import Retardation, reduce_log

#: Above so many of its scales the brush drop is full, and the closed form holds: it is to one in
#: a hundred even where the scale is three times what it is taken for.
FULL_DROP = 10.0

#: Left out behind the release and before a stop: three lags of 0.1 s, a plain meter's. Common
#: practice, no source. [s]
_LAG = 0.3

#: A current below this share of the largest one of the bench is that of a voltmeter.
_OPEN = 0.002

#: Why a log of voltages says nothing.
NO_SPEEDS = "nowhere is a speed with its voltage"

#: Why a log that no machine could show is left out: it would contradict all else.
ANOTHER_UNIT = "its times cannot be in the unit that is written"

#: No rate is more exact than this, relatively.
_EXACT = 1e-5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CoastLog:
    """One log of a coasting machine and what it was reduced to."""

    run: Run
    quantity: Literal["speed", "voltage"]
    retardation: Retardation | None  # None where it was not even tried
    refused: str = ""  # why not

    @property
    def problem(self) -> str:
        """Why it has no rates; empty where it has."""
        return self.refused if self.retardation is None else self.retardation.problem


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReducedBench:
    """A bench whose logs are rates at a few values, and the logs behind them."""

    bench: Bench
    logs: tuple[CoastLog, ...]


def reduce_logs(bench: Bench) -> ReducedBench:
    """Reduce the coast-downs of a bench to rates; a stated inertia becomes one more run.

    Parameters
    ----------
    bench : Bench
        As it was read.

    Returns
    -------
    ReducedBench
        Its bench has no other coast-downs than reduced ones. A log of which nothing could be
        had is in `logs` only.
    """
    guess = driven_guess(bench)
    runs: list[Run] = []
    logs: list[CoastLog] = []
    for run in bench.runs:
        if run.kind != "coast-down" or run.rates is not None or not len(run):
            runs.append(run)
            continue
        log = _reduced(bench, run, guess)
        logs.append(log)
        if log.retardation is not None and len(log.retardation.rates):
            runs.append(_as_rates(run, log.quantity, log.retardation))
    if any(run.rates is not None for run in runs):
        runs += _stated_inertia(bench)
    return ReducedBench(bench=replace(bench, runs=tuple(runs)), logs=tuple(logs))


def _reduced(bench: Bench, run: Run, guess: DrivenGuess) -> CoastLog:
    """By the quantity whose rates are known better, where both were logged."""
    if any(
        each.kind == "time-unit" and each.severity == "error" and each.where == run.source.name
        for each in bench.findings
    ):
        return CoastLog(run=run, quantity="voltage", retardation=None, refused=ANOTHER_UNIT)
    found = [
        CoastLog(run=run, quantity=quantity, retardation=_retardation(bench, run, quantity, guess))
        for quantity in ("voltage", "speed")
        if quantity in run.readings and (quantity == "speed" or _has_speeds(bench))
    ]
    if not found:
        return CoastLog(run=run, quantity="voltage", retardation=None, refused=NO_SPEEDS)
    return min(found, key=_doubt)


def _has_speeds(bench: Bench) -> bool:
    """Whether anything tells how many volts a speed makes."""
    return any(
        "speed" in run.readings and "voltage" in run.readings and bool(np.any(run.get("speed") > 0))
        for run in bench.runs
    )


def _doubt(log: CoastLog) -> float:
    retardation = log.retardation
    if retardation is None or not len(retardation.rates):
        return np.inf
    variance = np.diag(retardation.normal_covariance)
    return float(np.max(variance**0.5 / np.abs(retardation.rates)))


def _retardation(
    bench: Bench, run: Run, quantity: Literal["speed", "voltage"], guess: DrivenGuess
) -> Retardation:
    meter = bench.instrument(quantity, run.meters.get(quantity, ""))
    return reduce_log(
        run, quantity, lag=_LAG, smallest=_full_drop_from(run, quantity, guess), instrument=meter
    )


def _full_drop_from(
    run: Run, quantity: Literal["speed", "voltage"], guess: DrivenGuess
) -> float | None:
    """Smallest voltage or speed of a loaded run at which the brush drop is full."""
    least = FULL_DROP * BRUSH_SCALE_SHARE * guess.current
    load = float(np.nanmedian(run.get("load"))) if "load" in run.readings else np.nan
    current, voltage = np.abs(run.get("current")), run.get("voltage")
    flowing = current > _OPEN * guess.current
    read = flowing & ~np.isnan(voltage)
    if not np.isfinite(load) and np.any(read):
        load = float(np.median(voltage[read] / current[read]))
    if quantity == "voltage":
        return least * load if np.isfinite(load) else None
    if np.any(flowing):
        speed = run.get("speed")
        per_ampere = float(np.nanmedian(speed[flowing] / current[flowing]))
        return least * per_ampere
    if np.isfinite(load):
        return least * (load + guess.resistance) / guess.constant
    return None


def _as_rates(run: Run, quantity: Literal["speed", "voltage"], found: Retardation) -> Run:
    """A run whose readings are where the rates are known."""
    nearest = [_nearest(run.get(quantity), found, value) for value in found.nodes]
    readings: dict[str, FloatArray] = {quantity: found.nodes}
    other = "speed" if quantity == "voltage" else "voltage"
    beside = 0.0
    if other in run.readings:
        readings[other], beside = _beside(run.get(quantity), run.get(other), found)
    if found.current is not None:
        readings["current"] = -found.current
    if "load" in run.readings:
        readings["load"] = np.full(len(found.nodes), np.nanmedian(run.get("load")))
    for name in ("winding", "magnets", "ambient"):
        if name in run.readings:
            readings[name] = run.get(name)[nearest]
    own, shared = _split(_with_bend(found))
    own = own + (_EXACT * found.rates) ** 2
    return replace(
        run,
        rows=run.rows[nearest],
        readings=readings,
        extra={},
        blocks=None,
        setting=("",) * len(nearest),
        direction=tuple(run.direction[place] for place in nearest),
        note=tuple(run.note[place] for place in nearest),
        rates=Rates(
            quantity=quantity,
            value=found.rates,
            own=own,
            shared=shared,
            beside=beside,
            largest={
                name: float(np.nanmax(np.abs(values)))
                for name, values in run.readings.items()
                if np.any(~np.isnan(values))
            },
            span=(float(found.shown[found.kept].min()), float(found.shown[found.kept].max())),
        ),
    )


def _beside(values: FloatArray, other: FloatArray, found: Retardation) -> tuple[FloatArray, float]:
    """The other quantity of a log where its rates are known, and the variance of that.

    From a parabola through all readings, whose three coefficients share the readings' worth.
    """
    there = found.kept & ~np.isnan(other)
    curve = np.polynomial.Polynomial.fit(values[there], other[there], 2)
    left = float(np.mean((other[there] - curve(values[there])) ** 2))
    worth = max(1.0, found.effective / 3.0)
    least = (1e-6 * float(np.max(np.abs(other[there])))) ** 2
    return np.asarray(curve(found.nodes), float), max(left / worth, least)


def _nearest(values: FloatArray, found: Retardation, value: float) -> int:
    """The reading that is nearest to a value, of those that were used."""
    away = np.where(found.kept, np.abs(values - value), np.inf)
    return int(np.nanargmin(away))


def _with_bend(found: Retardation) -> FloatArray:
    r"""Covariance of the rates, with their bend where it is one that no loss has.

    With the contrast a that is zero for straight rates and C their covariance, straightening
    them would move them by :math:`\delta = C a (a^\mathsf{T} r) / (a^\mathsf{T} C a)`. What the
    three terms of the loss lack is taken to be of that size: :math:`C + \delta \delta^\mathsf{T}`.
    """
    covariance = found.normal_covariance
    if not found.bends_back:
        return covariance
    contrast = np.linalg.inv(np.vander(found.nodes, increasing=True))[-1]
    pulled = covariance @ contrast
    moved = pulled * (contrast @ found.rates) / (contrast @ pulled)
    return np.asarray(covariance + np.outer(moved, moved))


def _split(covariance: FloatArray) -> tuple[FloatArray, FloatArray]:
    """A covariance as what each has by itself and what they share, (n,) and (n, n)."""
    deviation = np.sqrt(np.diag(covariance))
    values, vectors = np.linalg.eigh(covariance / np.outer(deviation, deviation))
    own = 0.5 * max(float(values[0]), 1e-6)
    shared = vectors * np.sqrt(np.maximum(values - own, 0.0))
    return own * deviation**2, deviation[:, None] * shared


def _stated_inertia(bench: Bench) -> list[Run]:
    """What `machine.toml` says of the inertia, as one reading of it."""
    stated = bench.settings.machine.moment_of_inertia
    if stated is None:
        return []
    exact = (1e-6 * stated.value) ** 2
    spread = exact + stated.half_width**2 / 3.0
    return [
        Run(
            kind="coast-down",
            source=Path("machine.toml"),
            rows=np.zeros(1, dtype=np.int64),
            readings={},
            written_step={},
            setting=("",),
            direction=("",),
            note=("",),
            rates=Rates(
                quantity="inertia",
                value=np.array([stated.value]),
                own=np.array([exact]),
                shared=np.array([[(spread - exact) ** 0.5]]),
            ),
        )
    ]
