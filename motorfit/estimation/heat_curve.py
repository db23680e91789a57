"""The winding's temperature by the fitted heat path: at the end of heating, and beyond."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.bench.records import Bench
from motorfit.estimate import Estimate, coverage_factor
from motorfit.estimation.heat_fit import Fitted
from motorfit.estimation.heat_intervals import Spread
from motorfit.estimation.heat_longer import longer_model
from motorfit.estimation.heat_model import HeatModel
from motorfit.estimation.uncertainty import Uncertainty
from motorfit.machine.warming import rise_at_switching_off

#: The curve goes on for as long as the run took, at least and at most: half an hour, and this
#: many time constants in all.
_AT_LEAST, _MOST_LAGS = 1800.0, 5.0

_POINTS = 60
_STEP, _UNKNOWN_STEP = 1e-4, 1e-2

#: Cooling readings that are used to go back to the instant of switching off: two minutes' worth.
_BACK = 120.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Curve:
    """A warm-up with its band, (m,): [s], [degC]."""

    time: FloatArray
    middle: FloatArray
    low: FloatArray
    high: FloatArray


def posterior(fitted: Fitted) -> FloatArray:
    """Covariance of core and unknowns together, (c + u, c + u)."""
    design = np.column_stack([fitted.by_core, fitted.by_unknown])
    information = design.T @ np.linalg.solve(fitted.scatter, design)
    own = np.concatenate([fitted.precision, np.ones(len(fitted.unknown))])
    return np.linalg.inv(information + np.diag(own))


def _temperature(model: HeatModel, core: FloatArray, unknown: FloatArray) -> FloatArray:
    """Of the winding at each instant of the grid, (..., g). [degC]"""
    return np.asarray(model.air(unknown) + model.rise(core, unknown))


def _with_variance(
    model: HeatModel, core: FloatArray, unknown: FloatArray, covariance: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Temperature at each instant of the grid and its variance, (g,) each."""
    middle = _temperature(model, core, unknown)
    by_core = [
        (_temperature(model, core + step, unknown) - middle) / _STEP
        for step in _STEP * np.eye(len(core))
    ]
    shifted = _temperature(model, core, unknown + _UNKNOWN_STEP * np.eye(len(unknown)))
    slopes = np.concatenate([by_core, (shifted - middle) / _UNKNOWN_STEP])
    return middle, np.asarray(np.sum(slopes * (covariance @ slopes), axis=0))


def curve_of(
    fitted: Fitted,
    bench: Bench,
    uncertainty: Uncertainty,
    covariance: FloatArray,
    spread: Spread,
    level: float,
) -> Curve:
    """The warm-up carried on at the current of its end.

    Parameters
    ----------
    fitted : Fitted
        The heat path.
    bench, uncertainty
        As for `motorfit.estimation.heat.fit_heating`.
    covariance : ndarray
        From `posterior`.
    spread : Spread
        For the degrees of freedom.
    level : float
        Coverage of the band.

    Returns
    -------
    Curve
        Of the heating that was read alone, where going on cannot be told.
    """
    model, end = fitted.model, fitted.model.readings.end
    further = np.clip(_MOST_LAGS * float(np.exp(fitted.core[1])) - end, 0.0, max(end, _AT_LEAST))
    times = end + max(float(further), _AT_LEAST) * np.arange(1, _POINTS + 1) / _POINTS
    longer = longer_model(fitted, bench, uncertainty, times)
    try:
        middle, variance = _carried_on(longer or model, fitted, covariance)
        model = longer or model
    except ValueError:  # it would run away
        middle, variance = _carried_on(model, fitted, covariance)
    half = float(coverage_factor(level, spread.degrees_of_freedom)) * np.sqrt(variance)
    return Curve(time=model.readings.grid, middle=middle, low=middle - half, high=middle + half)


def _carried_on(
    model: HeatModel, fitted: Fitted, covariance: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Temperature and variance by a model that may lack the last unknowns, those of cooling."""
    kept = len(model.errors.unknowns)
    size = len(fitted.core) + kept
    return _with_variance(model, fitted.core, fitted.unknown[:kept], covariance[:size, :size])


def hottest(fitted: Fitted, covariance: FloatArray, spread: Spread, level: float) -> Estimate:
    """The winding's temperature at the end of heating. [degC]"""
    model = fitted.model
    middle, variance = _with_variance(model, fitted.core, fitted.unknown, covariance)
    at = model.readings.place[np.flatnonzero(model.readings.heating)[-1]]
    value, deviation = float(middle[at]), float(variance[at]) ** 0.5
    half = float(coverage_factor(level, spread.degrees_of_freedom)) * deviation
    return Estimate(
        value=value,
        unit="Cel",
        standard_uncertainty=deviation,
        from_scatter=deviation,
        from_instruments=0.0,
        interval=(value - half, value + half),
        level=level,
        degrees_of_freedom=spread.degrees_of_freedom,
        method="linear",
    )


def temperature_from_cooling(fitted: Fitted) -> float | None:
    """The cooling curve alone, carried back to the instant of switching off. [degC]"""
    model, readings = fitted.model, fitted.model.readings
    off = readings.switched_off
    if off is None:
        return None
    late = (model.time > off) & (model.time <= off + _BACK)
    air = np.interp(model.time, readings.grid, model.air(fitted.unknown))
    rise = (model.temperature(fitted.core, fitted.unknown) - air)[late]
    if len(rise) < 3 or not np.all(rise > 0):
        return None
    start, _ = rise_at_switching_off(model.time[late] - off, rise)
    return float(start + np.interp(off, readings.grid, model.air(fitted.unknown)))
