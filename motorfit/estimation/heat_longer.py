"""What a longer heat run would bring: the information of readings nobody took yet."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.bench.records import Bench, Run
from motorfit.estimation.heat_fit import Fitted
from motorfit.estimation.heat_model import HeatModel
from motorfit.estimation.heat_posing import heat_model
from motorfit.estimation.heat_readings import heat_readings
from motorfit.estimation.heat_search import slopes_of
from motorfit.estimation.uncertainty import Uncertainty

#: How much longer. [s]
HALF_HOUR = 1800.0

#: No more readings than this are imagined.
_MOST = 400


def longer_run(run: Run, until: float, times: FloatArray) -> Run:
    """A heat run that goes on as it was at the end of its heating, with readings at ``times``.

    Parameters
    ----------
    run : Run
        With its own clock.
    until : float
        When heating ended, by that clock; what was read later is left out. [s]
    times : ndarray, shape (m,)
        By that clock. [s]

    Returns
    -------
    Run
        The last reading of each column is repeated.
    """
    kept = run.only(np.asarray(run.get("time") <= until + 1e-9))
    order = np.argsort(kept.get("time"), kind="stable")
    count = len(times)

    def on(values: FloatArray) -> FloatArray:
        known = values[order][np.isfinite(values[order])]
        return np.concatenate([values, np.full(count, known[-1] if len(known) else np.nan)])

    readings = {name: on(values) for name, values in kept.readings.items()}
    readings["time"] = np.concatenate([kept.get("time"), times])
    blocks = kept.blocks and replace(
        kept.blocks,
        count=np.concatenate(
            [kept.blocks.count, np.full(count, int(np.median(kept.blocks.count)))]
        ),
        scatter={},
    )
    return replace(
        kept,
        rows=np.concatenate([kept.rows, np.full(count, kept.rows[-1])]),
        readings=readings,
        extra={},
        blocks=blocks,
        setting=(*kept.setting, *[""] * count),
        direction=(*kept.direction, *[""] * count),
        note=(*kept.note, *[""] * count),
    )


def longer_model(
    fitted: Fitted, bench: Bench, uncertainty: Uncertainty, times: FloatArray
) -> HeatModel | None:
    """The model of a run that goes on, with readings at ``times`` since the start (m,). [s]"""
    readings = fitted.model.readings
    run = readings.run
    begin = _clock(run) - float(readings.time[0])
    longer = heat_readings(longer_run(run, readings.end + begin, times + begin))
    if longer is None:
        return None
    model = heat_model(bench, uncertainty, longer)
    alike = [one.words for one in model.errors.unknowns]
    wanted = [one.words for one in fitted.model.errors.unknowns][: len(alike)]
    return model if alike == wanted else None


def _clock(run: Run) -> float:
    """By the run's clock, its first reading that counts. [s]"""
    there = np.isfinite(run.get("time")) & np.isfinite(run.get("current"))
    return float(np.min(run.get("time")[there]))


def another_half_hour(fitted: Fitted, bench: Bench, uncertainty: Uncertainty) -> float | None:
    """Variance of the logarithm of the thermal resistance after another half hour of heating.

    Parameters
    ----------
    fitted : Fitted
        The run as it is.
    bench, uncertainty
        As for `motorfit.estimation.heat.fit_heating`.

    Returns
    -------
    float or None
        With readings as often as they were taken; None where it cannot be told.
    """
    readings = fitted.model.readings
    log = readings.run.get("time")
    rate = (log.size - 1) / max(float(np.nanmax(log) - np.nanmin(log)), 1e-9)
    count = int(np.clip(round(HALF_HOUR * rate), 1, _MOST))
    times = readings.end + HALF_HOUR * np.arange(1, count + 1) / count
    model = longer_model(fitted, bench, uncertainty, times)
    if model is None:
        return None
    unknown = fitted.unknown[: len(model.errors.unknowns)]
    try:
        by_core, by_unknown = slopes_of(model, fitted.core, unknown)
    except ValueError:  # it would run away
        return None
    counts = model.readings.count[model.told]
    scatter = fitted.noise.covariance(model.time, model.usual, counts)
    marginal = scatter + by_unknown @ by_unknown.T
    information = by_core.T @ np.linalg.solve(marginal, by_core) + np.diag(fitted.precision)
    return float(np.linalg.inv(information)[0, 0])
