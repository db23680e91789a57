"""What a heat run tells about itself, in words.

Its limits are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from motorfit.bench.records import Bench, Run
from motorfit.estimate import Estimate
from motorfit.estimation.heat_errors import air_from
from motorfit.estimation.heat_fit import Fitted
from motorfit.estimation.heat_model import MAGNETS_WARM, HeatModel
from motorfit.estimation.heating_result import Heating, Widths
from motorfit.estimation.physics import VB, VBS
from motorfit.finding import Finding
from motorfit.machine.heating import ASSUMED_CLASS
from motorfit.machine.temperature import WINDING_CONSTANT

#: A heat run that reached this share of its final rise has come to its end.
AT_ITS_END = 0.95

#: One cause with this share of the variance decides the width.
_DECIDES = 0.4

#: A standard uncertainty below this part of the value needs no advice.
_WIDE = 0.06

#: An unknown this many standard deviations off says that something is not as assumed.
_ODD = 3.0

#: Cooling curve and heating disagree from this many kelvin and standard uncertainties on.
_APART, _APART_DEVIATIONS = 3.0, 3.0

_MINUTE, _HALF_HOUR = 60.0, 1800.0

#: A thermal resistance that is not known to this, relatively, is hardly known at all.
_HARDLY_KNOWN = 1.5


def assumptions(bench: Bench, model: HeatModel) -> tuple[str, ...]:
    """What was taken without a reading, a sentence each.

    Parameters
    ----------
    bench : Bench
        Its settings.
    model : HeatModel
        Of the heat run.

    Returns
    -------
    tuple of str
    """
    settings, readings = bench.settings, model.readings
    material = settings.machine.winding_material
    constant = WINDING_CONSTANT[material]
    said = [f"heat run: winding temperature by resistance with K = {constant:g} K for {material}"]
    if material == "copper":
        said[0] += " (IEEE and NEMA practice; IEC 60034-1 has 235)"
    if not model.by_voltage:
        said = ["heat run: the winding is as warm as its thermometer shows"]
    if "heat_run" not in settings.model_fields_set:
        said.append("heat run: rotor held")
    source = air_from(bench, readings)
    if source == "winding column":
        said.append("heat run: air as warm as the cold winding, and steady to 2 K")
    elif source == "conditions":
        said.append(
            f"heat run: air at {model.ambient[0]:g} degC as [conditions] has it, steady to 2 K"
        )
    if not np.isfinite(readings.get("winding")[0]) or source == "winding column":
        said.append("heat run: winding as warm as the air at the start, within 2 K")
    if model.places[VB if model.turning else VBS] is None:
        said.append("heat run: brush drop of a usual size, which no other test here tells")
    return tuple(said)


def too_little(run: Run, fewest: int) -> Finding:
    """A heat run from which nothing can be had."""
    return Finding(
        kind="heat-run-too-little",
        where=run.source.name,
        says=f"The heat run has {len(run)} {'reading' if len(run) == 1 else 'readings'}; fewer "
        f"than {fewest} of them tell a temperature of the winding at a time of its own.",
        suggestion="Read time, current and voltage (or the winding's temperature) every few "
        "minutes, from the moment the current is switched on.",
    )


def without_resistance(run: Run) -> Finding:
    """A heat run without any resistance to make heat in."""
    return Finding(
        kind="heat-run-without-resistance",
        where=run.source.name,
        says="No test here tells the winding's resistance, and so the heat of the current.",
        suggestion="Add a resistance test with the rotor held, or voltages to the heat run.",
    )


def magnets_hide(run: Run) -> Finding:
    """A turning heat run that nothing but its voltage tells of."""
    return Finding(
        kind="heat-run-magnets",
        where=run.source.name,
        says="While the rotor turns its voltage is mostly EMF, and falls as the magnets warm: "
        "that hides how warm the winding became.",
        suggestion="Stop the machine at the end and read voltage and current of the standing "
        "rotor every 20 s, at a good part of the current; or write the magnets' temperature "
        "into a column magnets (degC).",
    )


def not_fitted(run: Run) -> Finding:
    """A heat run that no heat path fits."""
    return Finding(
        kind="heat-run-not-fitted",
        where=run.source.name,
        says="No warming of one body or two fits this heat run.",
        suggestion="Look for a current that was switched off and on between readings, for a "
        "wrong unit of time, or for columns exchanged.",
    )


def heat_findings(bench: Bench, fitted: Fitted, heating: Heating) -> tuple[Finding, ...]:
    """What a fitted heat run tells about itself.

    Parameters
    ----------
    bench : Bench
        For the insulation and how many heat runs there are.
    fitted : Fitted
        The heat path.
    heating : Heating
        Its numbers.

    Returns
    -------
    tuple of Finding
    """
    return tuple(
        finding
        for part in (
            _unfinished(bench, heating),
            _two_bodies(heating),
            _decided_by_one(heating),
            _odd_start(fitted, heating),
            _no_loss(fitted, heating),
            _other_cooling(heating),
            _too_hot(bench, heating),
            _spikes(fitted, heating),
            _others(bench, heating),
        )
        for finding in part
    )


def minutes(seconds: float) -> str:
    """A time for people: "45 s", "12 min"."""
    if seconds < 2 * _MINUTE:
        return f"{seconds:.0f} s"
    return f"{seconds / _MINUTE:.0f} min"


def _percent(part: float) -> str:
    return f"{100 * part:.2g} %" if part < 0.995 else f"{100 * part:.0f} %"


def half_hour_sentence(heating: Heating) -> str:
    """What another half hour would bring, "" where it would bring nothing."""
    longer = heating.longer
    if longer is None or not longer.helps:
        return ""
    if longer.now > _HARDLY_KNOWN:
        return (
            "Another half hour at this current would tell the thermal resistance to about "
            f"+-{_percent(longer.then)}."
        )
    return (
        f"Another half hour at this current would narrow the thermal resistance from "
        f"+-{_percent(longer.now)} to about +-{_percent(longer.then)}."
    )


def _bears(bench: Bench) -> tuple[float, str]:
    """Temperature that the insulation bears, and its class in words. [degC]"""
    stated = bench.settings.machine.insulation
    if stated == "unknown":
        return float(ASSUMED_CLASS), f"class {ASSUMED_CLASS} (assumed)"
    return float(stated), f"class {stated}"


def _unfinished(bench: Bench, heating: Heating) -> Iterator[Finding]:
    known = isinstance(heating.thermal_resistance, Estimate)
    if heating.reached >= AT_ITS_END and known:
        return
    brings = half_hour_sentence(heating)
    if (known and not brings) or decided_by_magnets(heating.widths):
        return
    reached = f"about {100 * heating.reached:.0f} % of its final rise"
    if not heating.reached:
        reached = "a current at which the winding would get hotter without end"
    says = f"The heat run ended after {minutes(heating.heated_until)}, at {reached}."
    if not known:
        says = (
            f"The heat run ended after {minutes(heating.heated_until)}, so far from its end that "
            "it does not tell how warm the machine would become."
        )
    suggestion = "Let the next one run until the voltage no longer rises."
    later = float(np.interp(heating.heated_until + _HALF_HOUR, heating.curve_time, heating.curve))
    bears, words = _bears(bench)
    if later > bears:
        suggestion = (
            f"Take a smaller current: at {heating.current:.3g} A the winding would soon be hotter "
            f"than insulation of {words} bears."
        )
        brings = ""
    yield Finding(
        kind="heat-run-unfinished",
        where=heating.file,
        says=f"{says} {brings}".strip(),
        suggestion=suggestion,
        severity="note" if known else "caution",
    )


def decided_by_magnets(widths: Widths) -> bool:
    """Whether a turning machine's voltage leaves open what its magnets and what its winding did."""
    words, _, share = widths["thermal_resistance"][0]
    return words == MAGNETS_WARM and share > _DECIDES


def _two_bodies(heating: Heating) -> Iterator[Finding]:
    bodies = heating.thermal_bodies
    if bodies is None:
        return
    yield Finding(
        kind="two-bodies",
        where=heating.file,
        says=f"The winding warms by itself, with a time constant of "
        f"{minutes(bodies.winding_time_constant.value)}, inside a frame of "
        f"{minutes(bodies.frame_time_constant.value)} (twice the log likelihood rises by "
        f"{heating.evidence:.0f}).",
        severity="note",
    )


_REMEDIES = {
    "ambient": "Write the air's temperature beside the readings, in a column ambient (degC).",
    "winding": "Write the air's temperature beside the readings, in a column ambient (degC).",
    "room through the heat run": "Write the air's temperature beside the readings, in a column "
    "ambient (degC).",
    "winding at the start": "Let the machine rest for hours before a heat run, or write down its "
    "temperature in a column winding (degC).",
}


def _decided_by_one(heating: Heating) -> Iterator[Finding]:
    estimate = heating.thermal_resistance
    words, quantity, share = heating.widths["thermal_resistance"][0]
    known = isinstance(estimate, Estimate)
    wide = not isinstance(estimate, Estimate) or (
        estimate.standard_uncertainty > _WIDE * estimate.value
    )
    remedy = _REMEDIES.get(quantity, "")
    if "brush drop" in words:
        remedy = "A resistance test at two or more currents, rotor held, tells the brush drop."
    if words == MAGNETS_WARM:
        remedy = (
            "Stop the machine and read the resistance while it cools, or write the magnets' "
            "temperature into a column magnets (degC)."
        )
    if wide and share > _DECIDES and remedy:
        yield Finding(
            kind="heat-run-width",
            where=heating.file,
            says=f"{100 * share:.0f} % of the doubt of the thermal resistance comes from one "
            f"thing: {words}.",
            suggestion=remedy,
            severity="note" if known else "caution",
        )


def _odd_start(fitted: Fitted, heating: Heating) -> Iterator[Finding]:
    """Something that the readings need much further off than it should be."""
    for one, size in zip(fitted.model.errors.unknowns, fitted.unknown, strict=True):
        if abs(size) < _ODD or one.nuisance is None:
            continue
        if one.nuisance.quantity == "winding at the start":
            warmer = "warmer" if size > 0 else "colder"
            yield Finding(
                kind="heat-run-start",
                where=heating.file,
                says=f"The machine seems to have been {abs(size) * one.nuisance.deviation:.0f} K "
                f"{warmer} than the air when the heat run began.",
                suggestion="Let it rest for hours before a heat run, or write its temperature "
                "into a column winding (degC).",
            )


def _no_loss(fitted: Fitted, heating: Heating) -> Iterator[Finding]:
    if fitted.model.turning and not fitted.model.loss_known:
        yield Finding(
            kind="heat-run-loss-unknown",
            where=heating.file,
            says="The rotor turned, and no test here tells the turning loss: the heat that it "
            "made is not counted, and the thermal resistance comes out too large.",
            suggestion="Add a no-load-motor test at two voltages.",
        )


def _other_cooling(heating: Heating) -> Iterator[Finding]:
    if heating.from_cooling is None:
        return
    apart = heating.from_cooling - heating.hottest.value
    if abs(apart) > _APART + _APART_DEVIATIONS * heating.hottest.standard_uncertainty:
        yield Finding(
            kind="heat-run-cooling",
            where=heating.file,
            says=f"Carried back to the instant of switching off, the cooling readings give "
            f"{heating.from_cooling:.0f} degC; the warm-up gives {heating.hottest.value:.0f} degC.",
            suggestion="Look at the brush drop at the small current, and at the time of "
            "switching off.",
        )


def _too_hot(bench: Bench, heating: Heating) -> Iterator[Finding]:
    bears, words = _bears(bench)
    if heating.hottest.interval[0] > bears:
        yield Finding(
            kind="winding-too-hot",
            where=heating.file,
            says=f"The winding reached {heating.hottest.value:.0f} degC on average: more than "
            f"insulation of {words} bears for long.",
            suggestion="Use a smaller current next time. Ten kelvin above its class halve the "
            "life of the insulation.",
        )


def _spikes(fitted: Fitted, heating: Heating) -> Iterator[Finding]:
    rows = fitted.model.readings.left_out.tolist()
    if not rows:
        return
    shown = ", ".join(str(row) for row in rows[:5]) + (" and others" if len(rows) > 5 else "")
    yield Finding(
        kind="heat-run-spikes",
        where=f"{heating.file}:{rows[0]}" if len(rows) == 1 else heating.file,
        says=f"{len(rows)} {'reading jumps' if len(rows) == 1 else 'readings jump'} far out of "
        f"the neighbours and {'is' if len(rows) == 1 else 'are'} left out (row {shown}).",
        suggestion="Look for a clip that slipped or a digit too many.",
        severity="note",
    )


def _others(bench: Bench, heating: Heating) -> Iterator[Finding]:
    others = [run.source.name for run in bench.of_kind("heat-run") if len(run)]
    others = [name for name in others if name != heating.file]
    if others:
        yield Finding(
            kind="heat-run-not-used",
            where=", ".join(others),
            says=f"Of several heat runs the longest is used: {heating.file}.",
            severity="note",
        )
