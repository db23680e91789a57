"""The heat run, and what current the machine can carry, for a reader who wants to check."""

from __future__ import annotations

import math

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.errors import ProfileError
from motorfit.estimate import Estimate, NotKnown
from motorfit.estimation.heating_result import Heating
from motorfit.estimation.result import Fit
from motorfit.profile.prediction import Prediction
from motorfit.quantities import plain_unit, show_estimate, show_interval, show_number
from motorfit.report.motion_numbers import AIR
from motorfit.report.tables import paragraphs, table
from motorfit.report.words import rounded
from motorfit.unit_tables import RPM

#: Overloads that are told, over the continuous current.
_OVERLOADS = (1.5, 2.0)

_MINUTE = 60.0


def heat_section(fit: Fit) -> str:
    """What the heat run told; empty without one."""
    heating = fit.heating
    if heating is None:
        return ""
    rows = [
        ("run", _run(heating)),
        ("readings", _readings(heating)),
        ("winding temperature by", _thermometer(fit, heating)),
        ("at the end of heating", _hottest(heating)),
        *_thermal(heating),
        ("another half hour", _longer(heating)),
    ]
    return table(("", ""), [row for row in rows if row[1]]).split("\n", 2)[-1]


def _run(heating: Heating) -> str:
    turned = "" if heating.speed is None else f" at {heating.speed / RPM:.0f} rpm"
    return (
        f"{heating.file}: rotor {heating.rotor}{turned}, {rounded(heating.current)} A for "
        f"{rounded(heating.heated_until / _MINUTE)} min, air at the end {heating.ambient:.3g} degC"
    )


def _readings(heating: Heating) -> str:
    return (
        f"{heating.samples}, worth {rounded(heating.effective, 2)} independent ones; scatter "
        f"{heating.noise:.2g} K, correlation of neighbours {heating.correlation:+.2f}"
    )


def _thermometer(fit: Fit, heating: Heating) -> str:
    if any("thermometer" in one for one in heating.assumed):
        return "its thermometer"
    constant = fit.profile.constants.winding_constant
    origin = {
        235.0: " (IEC 60034-1)",
        234.5: " (copper, IEEE and NEMA practice; IEC 60034-1 has 235)",
        225.0: " (aluminium)",
    }
    return f"resistance, with K = {constant:g} K{origin.get(constant, '')}"


def _hottest(heating: Heating) -> str:
    says = f"{_estimate(heating.hottest)}, {100 * heating.reached:.0f} % of the final rise"
    if heating.from_cooling is not None:
        says += f"; {heating.from_cooling:.3g} degC by the cooling carried back"
    return says


def _thermal(heating: Heating) -> list[tuple[str, str]]:
    bodies = "one body"
    if heating.bodies > 1:
        bodies = "a winding in a frame, each with its own warmth: the readings demand both"
    rows = [
        ("warms as", bodies),
        ("thermal resistance", _known(heating.thermal_resistance)),
        ("time constant", _known(heating.thermal_time_constant)),
    ]
    two = heating.thermal_bodies
    if two is not None:
        rows += [
            ("  winding to frame", _estimate(two.winding_to_frame)),
            ("  frame to air", _estimate(two.frame_to_air)),
            ("  time constant, winding", _estimate(two.winding_time_constant)),
        ]
    return rows


def _known(known: Estimate | NotKnown) -> str:
    return (
        f"not known; it takes: {known.needs}" if isinstance(known, NotKnown) else _estimate(known)
    )


def _estimate(known: Estimate) -> str:
    factor, unit = 1.0, plain_unit(known.unit)
    if known.unit == "s" and known.value >= 2 * _MINUTE:
        factor, unit = 1.0 / _MINUTE, "min"
    low, high = (factor * end for end in known.interval)
    return show_estimate(factor * known.value, (low, high), unit, known.level)


def _longer(heating: Heating) -> str:
    longer = heating.longer
    if longer is None:
        return ""
    half, then = 100 * longer.now, 100 * longer.then
    minutes = longer.seconds / _MINUTE
    if not longer.helps:
        return f"({minutes:.0f} min more) would bring little: +-{then:.2g} % of Rth either way"
    return (
        f"({minutes:.0f} min more) would narrow the interval of the thermal resistance from "
        f"+-{half:.2g} % to +-{then:.2g} %"
    )


def amps_section(fit: Fit) -> str:
    """Amps all day, turning and at rest, and how long an overload may last."""
    profile = fit.profile
    try:
        turning = profile.continuous_current(ambient=AIR)
        resting = profile.continuous_current(ambient=AIR, speed=0.0)
    except ProfileError:
        return ""
    cases: list[tuple[str, Prediction, float | None]] = [("at rest", resting, 0.0)]
    if any(one.startswith("turning at") for one in turning.assumed):
        rpm = profile.range.speed[1] / RPM
        cases.append((f"turning at {rpm:.0f} rpm", turning, None))
    rows = [row for case in cases for row in _amps_rows(fit, *case)]
    columns = (f"air of {AIR:.0f} degC", "current", "interval (A)", "may last", "interval", "")
    text = table(columns, rows, right=("current",))
    assumed = dict.fromkeys((*turning.assumed, *resting.assumed))
    return f"{text}\n{paragraphs(assumed)}"


def _amps_rows(
    fit: Fit, title: str, all_day: Prediction, speed: float | None
) -> list[tuple[str, ...]]:
    low, high = (float(end) for end in all_day.interval(fit.level))
    amps = float(all_day.value)
    shown = (f"{show_number(amps, (high - low) / 2)} A", show_interval(low, high))
    rows: list[tuple[str, ...]] = [(title, *shown, "all day", "", _beyond(all_day))]
    lag = fit.parameters["thermal_time_constant"]
    if not amps > 0 or isinstance(lag, NotKnown):
        return rows
    for factor in _OVERLOADS:
        current = factor * amps
        time = fit.profile.overload_time(current=current, ambient=AIR, speed=speed)
        shown_current = f"{show_number(current, (high - low) / 2)} A"
        lasts = _lasts(float(time.value), time.interval(fit.level))
        rows.append((f"{factor:g} times that, from cold", shown_current, "", *lasts, _beyond(time)))
    return rows


def _lasts(seconds: float, interval: tuple[FloatArray, FloatArray]) -> tuple[str, str]:
    """A time that may be without end, and its interval."""
    least, most = (float(end) for end in interval)
    size, unit = (_MINUTE, "min") if least >= 2 * _MINUTE else (1.0, "s")
    if not math.isfinite(seconds):
        return "for ever", f"{show_number(least / size, 0.1 * least / size)} {unit} or more"
    half = (most - least) / 2 if math.isfinite(most) else seconds - least
    shown = f"{show_number(seconds / size, half / size)} {unit}"
    if not math.isfinite(most):
        return shown, f"{show_number(least / size, half / size)} {unit} or more"
    return shown, f"{show_interval(least / size, most / size)} {unit}"


def _beyond(predicted: Prediction) -> str:
    return "beyond the test" if bool(np.any(predicted.extrapolated)) else ""
