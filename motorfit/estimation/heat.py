"""A bench's heat run: from its readings to the thermal parameters with intervals.

Its limits are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.bench.records import Bench, Run
from motorfit.estimate import Estimate, NotKnown, coverage_factor
from motorfit.estimation.heat_curve import curve_of, hottest, posterior, temperature_from_cooling
from motorfit.estimation.heat_errors import Errors, parameter
from motorfit.estimation.heat_fit import Fitted, better_fit
from motorfit.estimation.heat_intervals import Spread, intervals, spread_of
from motorfit.estimation.heat_longer import another_half_hour
from motorfit.estimation.heat_model import HeatModel
from motorfit.estimation.heat_posing import heat_model
from motorfit.estimation.heat_readings import HeatReadings, heat_readings
from motorfit.estimation.heat_words import (
    assumptions,
    decided_by_magnets,
    heat_findings,
    magnets_hide,
    not_fitted,
    too_little,
    without_resistance,
)
from motorfit.estimation.heating_result import Heating, HeatParts, LongerRun, Widths
from motorfit.estimation.physics import R
from motorfit.estimation.uncertainty import Uncertainty
from motorfit.estimation.widths import SCATTER
from motorfit.finding import Finding
from motorfit.machine.warming import steady_rise
from motorfit.profile.parts import ThermalBodies

#: Readings that tell a temperature: fewer tell no time constant and no scatter.
FEWEST_READINGS = 5

#: What is told before any fit and leaves nothing to fit.
REFUSED = frozenset({"heat-run-cools", "heat-run-without-current", "heat-run-without-speed"})

#: The parameters that a heat run gives, in the profile's order.
THERMAL = ("thermal_resistance", "thermal_time_constant")

#: An unknown so many standard deviations off says that the model is none of this run.
_IMPOSSIBLE = 8.0

#: A number whose interval spans a larger factor than this is worth nothing.
_WORTH_TELLING = 8.0

#: Cold readings: those of the first so many, or of this share of the run.
_COLD_READINGS, _COLD_SHARE = 5, 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatOutcome:
    """The fitted heat run, if one could be fitted, and what is to be said anyway."""

    heating: Heating | None = None
    findings: tuple[Finding, ...] = ()


def with_cold_resistance(bench: Bench) -> Bench:
    """The bench with its heat run's cold resistance, where nothing else tells one.

    Parameters
    ----------
    bench : Bench
        Any bench.

    Returns
    -------
    Bench
        With one more run of kind "resistance": what the first readings of a heat run with
        the rotor held come to when carried back to its start.
    """
    others = bench.of_kind("load", "resistance", "no-load-motor", "brake")
    if any(len(run) for run in others) or bench.settings.heat_run.rotor != "held":
        return bench
    cold = [one for run in bench.of_kind("heat-run") if (one := _cold_run(run)) is not None]
    return replace(bench, runs=(*bench.runs, *cold[:1])) if cold else bench


def _cold_run(run: Run) -> Run | None:
    """A resistance run of one reading: voltage and current when the current came on."""
    readings = heat_readings(run)
    if readings is None:
        return None
    current, voltage = np.abs(readings.get("current")), np.abs(readings.get("voltage"))
    there = readings.heating & np.isfinite(voltage)
    early = readings.time <= _COLD_SHARE * readings.end
    chosen = np.flatnonzero(there)[: max(int((there & early).sum()), _COLD_READINGS)]
    if len(chosen) < 2:
        return None
    ratio = voltage[chosen] / current[chosen]
    slope = np.polynomial.Polynomial.fit(readings.time[chosen], ratio, 1)
    flow = float(current[chosen[0]])
    one = run.only(np.arange(len(run)) == int(np.argmin(run.get("time"))))
    told = {"current": np.array([flow]), "voltage": np.array([flow * float(slope(0.0))])}
    return replace(one, kind="resistance", readings=told, extra={}, blocks=None)


def fit_heating(bench: Bench, uncertainty: Uncertainty, level: float) -> HeatOutcome:
    """Fit the heat run of a bench, whose other tests are fitted already.

    Parameters
    ----------
    bench : Bench
        Readings, settings, instruments.
    uncertainty : Uncertainty
        Of the joint fit.
    level : float
        Coverage of the intervals.

    Returns
    -------
    HeatOutcome
        Nothing at all for a bench without a heat run.

    Notes
    -----
    Of several heat runs the longest is used. What the heat run says of the winding's
    resistance does not go back into the joint fit; its correlation with the other
    parameters goes into the profile.
    """
    runs = [run for run in bench.of_kind("heat-run") if len(run)]
    if not runs:
        return HeatOutcome()
    run = max(runs, key=lambda each: float(np.ptp(each.get("time"))))
    told = {one.kind for one in bench.findings if one.where.startswith(run.source.name)}
    if told & REFUSED:
        return HeatOutcome()
    readings = heat_readings(run)
    if readings is None:
        return HeatOutcome(findings=(too_little(run, FEWEST_READINGS),))
    turning = bench.settings.heat_run.rotor == "turning"
    if turning and np.isnan(readings.get("speed")[readings.heating]).any():
        return HeatOutcome()  # told before the fit
    if parameter(uncertainty, R) is None:
        return HeatOutcome(findings=(without_resistance(run),))
    model = heat_model(bench, uncertainty, readings)
    if model.told.sum() < FEWEST_READINGS or not _spans(model):
        return HeatOutcome(findings=(too_little(run, FEWEST_READINGS),))
    if model.magnets_hide:
        return HeatOutcome(findings=(magnets_hide(run),))
    try:
        with np.errstate(all="ignore"):
            fitted, gain = better_fit(model)
            if np.max(np.abs(fitted.unknown)) > _IMPOSSIBLE:
                return HeatOutcome(findings=(not_fitted(run),))
            heating = _heating(bench, uncertainty, fitted, gain, level)
    except (ValueError, np.linalg.LinAlgError):
        return HeatOutcome(findings=(not_fitted(run),))
    return HeatOutcome(heating=heating, findings=heating.findings)


def _spans(model: HeatModel) -> bool:
    return bool(len(model.time) and np.ptp(model.time) > 0)


def _heating(
    bench: Bench, uncertainty: Uncertainty, fitted: Fitted, gain: float, level: float
) -> Heating:
    model, spread = fitted.model, spread_of(fitted)
    readings = model.readings
    by_resistance, by_lag = intervals(fitted, spread, level)
    unit = np.eye(len(fitted.core))
    found = (
        spread.estimate(unit[0], "K/W", level, by_resistance),
        spread.estimate(unit[1], "s", level, by_lag),
    )
    after, widths = posterior(fitted), _widths(spread)
    curve = curve_of(fitted, bench, uncertainty, after, spread, level)
    heating = Heating(
        file=readings.run.source.name,
        rotor=bench.settings.heat_run.rotor,
        speed=_mean_speed(readings) if model.turning else None,
        bodies=len(fitted.core) // 2,
        evidence=gain,
        thermal_resistance=_worth_telling(found[0], by_resistance, readings, widths),
        thermal_time_constant=_worth_telling(found[1], by_lag, readings, widths),
        thermal_bodies=_two_bodies(spread, by_lag, level) if len(fitted.core) == 4 else None,
        time=model.time,
        temperature=model.temperature(fitted.core, fitted.unknown),
        fitted=_fitted(fitted)[model.told],
        curve_time=curve.time,
        curve=curve.middle,
        curve_low=curve.low,
        curve_high=curve.high,
        ambient=float(np.interp(readings.end, readings.grid, model.air(fitted.unknown))),
        current=float(np.mean(np.abs(readings.get("current"))[readings.heating])),
        switched_off=readings.switched_off,
        heated_until=readings.end,
        hottest=hottest(fitted, after, spread, level),
        from_cooling=temperature_from_cooling(fitted),
        reached=_reached(fitted),
        longer=_longer(fitted, bench, uncertainty, spread, level),
        noise=_kelvin(fitted),
        correlation=fitted.noise.correlation(readings.usual_step),
        samples=readings.samples,
        effective=fitted.effective,
        widths=widths,
        assumed=assumptions(bench, model),
        parts=_parts(spread, model.errors),
    )
    return replace(heating, findings=heat_findings(bench, fitted, heating))


def _worth_telling(
    estimate: Estimate, ends: tuple[float, float], readings: HeatReadings, widths: Widths
) -> Estimate | NotKnown:
    if np.exp(min(ends[1] - ends[0], 100.0)) <= _WORTH_TELLING:
        return estimate
    if decided_by_magnets(widths):
        needs = "heat-run with resistance readings right after the rotor is stopped"
        return NotKnown(unit=estimate.unit, standing="unmeasured", needs=needs)
    minutes = max(30.0, 5.0 * np.ceil(3.0 * readings.end / 300.0))
    needs = f"heat-run of {minutes:.0f} minutes or more"
    return NotKnown(unit=estimate.unit, standing="unmeasured", needs=needs)


def _two_bodies(spread: Spread, by_lag: tuple[float, float], level: float) -> ThermalBodies:
    """Resistances and time constants of winding and frame."""
    unit, share = np.eye(4), 1.0 / (1.0 + np.exp(-spread.core[2]))
    whole = spread.core[0]
    return ThermalBodies(
        winding_to_frame=spread.of(
            whole + float(np.log(share)), unit[0] + (1.0 - share) * unit[2], "K/W", level
        ),
        winding_time_constant=spread.estimate(unit[3], "s", level),
        frame_to_air=spread.of(
            whole + float(np.log1p(-share)), unit[0] - share * unit[2], "K/W", level
        ),
        frame_time_constant=spread.estimate(unit[1], "s", level, by_lag),
    )


def _fitted(fitted: Fitted) -> FloatArray:
    model, unknown = fitted.model, fitted.unknown
    return (model.air(unknown) + model.rise(fitted.core, unknown))[model.readings.place]


def _mean_speed(readings: HeatReadings) -> float | None:
    speed = readings.get("speed")[readings.heating]
    return float(np.nanmean(np.abs(speed))) if np.isfinite(speed).any() else None


def _reached(fitted: Fitted) -> float:
    """Share of the final rise, were the last power kept up."""
    model, unknown = fitted.model, fitted.unknown
    power, growth = model.heat(unknown)
    at = model.readings.place[np.flatnonzero(model.readings.heating)[-1]]
    final = steady_rise(power[at], np.exp(fitted.core[0]), growth=growth[at])
    return float(np.clip(model.rise(fitted.core, unknown)[at] / final, 0.0, 1.0))


def _kelvin(fitted: Fitted) -> float:
    """Scatter of one reading, as a temperature."""
    model = fitted.model
    scatter = fitted.noise.deviation() * float(np.median(model.usual))
    if not model.by_voltage:
        return scatter
    current = np.abs(model.true_current(fitted.unknown)[model.told])
    per_kelvin = model.resistance(fitted.unknown) / (model.winding_constant + model.reference)
    return float(scatter / (np.median(current) * per_kelvin.item()))


def _longer(
    fitted: Fitted, bench: Bench, uncertainty: Uncertainty, spread: Spread, level: float
) -> LongerRun | None:
    variance = another_half_hour(fitted, bench, uncertainty)
    if variance is None:
        return None
    unit = np.eye(len(fitted.core))[0]
    factor = float(coverage_factor(level, spread.freedom(unit)))
    now = float(spread.total[0, 0]) ** 0.5
    return LongerRun(
        seconds=1800.0,
        now=float(np.sinh(min(factor * now, 50.0))),
        then=float(np.sinh(min(factor * min(variance**0.5, now), 50.0))),
    )


def _widths(spread: Spread) -> Widths:
    """Causes of the variance: words, quantity, share; largest first."""
    found = {}
    for place, name in enumerate(THERMAL):
        parts: dict[tuple[str, str], float] = {}
        for column, one in zip(spread.sensitivity.T, spread.unknowns, strict=True):
            quantity = one.nuisance.quantity if one.nuisance else "scatter"
            key = (one.words, quantity)
            parts[key] = parts.get(key, 0.0) + float(column[place]) ** 2
        total = float(spread.total[place, place])
        rest = max(total - sum(parts.values()), 0.0)
        parts[SCATTER, "scatter"] = rest
        ordered = sorted(parts.items(), key=lambda each: -each[1])
        found[name] = tuple((*key, share / total) for key, share in ordered)
    return found


def _parts(spread: Spread, errors: Errors) -> HeatParts:
    """In the parameters themselves, not their logarithms."""
    size = np.exp(spread.core[:2])
    sensitivity = spread.sensitivity[:2] * size[:, None]
    joint = errors.joint_scatter
    instruments = [
        (one.nuisance, column / one.nuisance.deviation)
        for one, column in zip(spread.unknowns, sensitivity.T, strict=True)
        if one.nuisance is not None and np.any(column != 0.0)
    ]
    return HeatParts(
        names=THERMAL,
        scatter=spread.scatter[:2, :2] * np.outer(size, size),
        with_machine=sensitivity[:, :joint] @ errors.by_unknown[:joint],
        instruments=tuple(instruments),
    )
