"""Physical sense of the readings of one sheet."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.bench.evidence import (
    Evidence,
    Instruments,
    accuracy_half_width,
    listed,
    mixed_up,
    noise,
    odd_ones_out,
    place,
    rank_correlation,
    relative_doubt,
    together,
)
from motorfit.bench.records import Run
from motorfit.finding import Finding
from motorfit.headers import read_header

#: Quantities that cannot change sign in one test, save by a slip.
_SIGNED = ("speed", "voltage", "current", "torque", "force")

#: How much repeatability and warm resistors may add to what the meters' accuracies allow.
_BESIDES_ACCURACY = 0.05

_UNIT_FACTORS = {
    60.0: "60, as between revolutions per minute and per second",
    2 * np.pi: "2 pi, as between radians and revolutions per second",
    60 / (2 * np.pi): "60/(2 pi), as between rpm and rad/s",
}


def mixed_signs(evidence: Evidence) -> Iterator[Finding]:
    """Some readings of a column are negative and others not, in one direction of rotation."""
    for run in evidence.runs:
        if run.kind in ("zero", "coast-down"):  # ripple and spikes of a log go below zero
            continue
        for quantity in _SIGNED:
            rows = odd_ones_out(run, quantity, evidence.instruments)
            if quantity in ("voltage", "current") and not run.test.generating:
                rows &= run.get("voltage") * run.get("current") > 0  # else a negative resistance
            if rows.any():
                yield Finding(
                    kind="mixed-signs",
                    where=place(run, rows),
                    says=f"{int(rows.sum())} of {len(run)} readings of {quantity} have the other "
                    f"sign ({listed(run, rows)}).",
                    suggestion="Look for a minus sign too many or too few. If the machine was "
                    'turned the other way, say so in a column "direction".',
                    damage=20.0,
                )


def negative_resistance(evidence: Evidence) -> Iterator[Finding]:
    """Voltage and current of opposite sign where the machine can only consume."""
    for run in evidence.of("resistance", "no-load-motor", "brake"):
        voltage, current = run.get("voltage"), run.get("current")
        clear = (np.abs(voltage) > noise(run, "voltage", evidence.instruments)) & (
            np.abs(current) > noise(run, "current", evidence.instruments)
        )
        rows = clear & (voltage * current < 0)
        if rows.any():
            ratio = float((voltage[rows] / current[rows])[0])
            yield Finding(
                kind="negative-resistance",
                where=place(run, rows),
                says=f"Voltage and current have opposite signs: {ratio:.3g} ohm in "
                f"{listed(run, rows)}. A machine on a supply only takes power.",
                suggestion="Swap the probes of one meter, or correct the sign in the sheet.",
                severity="error",
                damage=30.0,
            )


def voltage_against_speed(evidence: Evidence) -> Iterator[Finding]:
    """Open-circuit voltage that does not rise with speed."""
    for run in evidence.of("open-circuit"):
        speed, voltage = together(run, "speed", "voltage")
        doubt = np.nanmax(accuracy_half_width(run, "speed", evidence.instruments), initial=0.0)
        if len(speed) < 4 or not speed.max() > 1.3 * speed.min() + 4 * doubt:
            continue
        correlation = rank_correlation(speed, voltage)
        if correlation < 0.3:
            falls = "falls" if correlation < -0.3 else "does not rise"
            yield Finding(
                kind="voltage-falls-with-speed",
                where=run.source.name,
                says=f"The open-circuit voltage {falls} with speed (rank correlation "
                f"{correlation:.2f} over {len(speed)} rows; a machine gives 1.00).",
                suggestion="See whether the columns are mixed up, whether speed is a time for "
                "one turn, or whether rows were sorted by one column only.",
                severity="error",
                damage=30.0,
            )


def two_speed_columns(evidence: Evidence) -> Iterator[Finding]:
    """Two speed columns of one sheet that disagree."""
    for run in evidence.runs:
        for header, other in run.extra.items():
            if read_header(header).quantity != "speed" or "speed" not in run.readings:
                continue
            both = np.isfinite(other) & (np.abs(run.get("speed")) > 0) & (np.abs(other) > 0)
            if not both.any():
                continue
            ratio = float(np.median(np.abs(other[both]) / np.abs(run.get("speed")[both])))
            if not 1 / 1.1 < ratio < 1.1:
                yield _speeds_disagree(run, header, ratio)


def _speeds_disagree(run: Run, header: str, ratio: float) -> Finding:
    size = max(ratio, 1 / ratio)
    known = [text for factor, text in _UNIT_FACTORS.items() if 1 / 1.05 < size / factor < 1.05]
    factor = f" (a factor of {known[0]})" if known else ""
    return Finding(
        kind="speed-columns-disagree",
        where=run.source.name,
        says=f'"{header}" is {ratio:.3g} times the speed that is used{factor}.',
        suggestion="Correct the unit in the header that is wrong"
        + ("." if known else ", or remove the column that is not of this shaft."),
        severity="error",
        damage=25.0,
    )


def load_values(evidence: Evidence) -> Iterator[Finding]:
    """Load rows whose v/i is not the resistance written beside them."""
    for run in (*evidence.of("load"), *evidence.of("coast-down")):
        if not {"voltage", "current", "load"} <= run.readings.keys() or mixed_up(run):
            continue
        load = run.get("load")
        seen, allowed = _seen_load(run, evidence.instruments)
        if run.kind == "coast-down":
            seen = _seen_throughout(run, seen)
        with np.errstate(divide="ignore", invalid="ignore"):  # a load of 0 ohm is a short circuit
            off = seen / load - 1.0
        wrong = np.isfinite(off) & (np.abs(off) > allowed)
        for value in np.unique(load[wrong]):
            rows = wrong & (load == value)
            yield Finding(
                kind="load-disagrees",
                where=place(run, rows),
                says=f"Voltage over current is {np.median(seen[rows]):.3g} ohm where the load "
                f"is given as {value:g} ohm ({listed(run, rows)}); tolerance and meters "
                f"explain {100 * float(np.median(allowed[rows])):.0f} %.",
                suggestion="Look whether another resistor was connected, a digit slipped, "
                "or a meter was on another range.",
                damage=15.0,
            )


def _seen_load(run: Run, instruments: Instruments) -> tuple[FloatArray, FloatArray]:
    """Voltage over current, and by how much it may be off the load's value, relative."""
    voltage, current, load = (np.abs(run.get(name)) for name in ("voltage", "current", "load"))
    ammeter = instruments.get(("current", run.meters.get("current", "")))
    burden = ammeter.burden if ammeter else 0.0
    with np.errstate(divide="ignore", invalid="ignore"):
        seen = voltage / current - burden
        share = (load + burden) / load  # what is off in the whole is more of the load alone
    meters = [relative_doubt(run, name, instruments) for name in ("voltage", "current")]
    resistor = relative_doubt(run, "load", instruments)
    allowed = (np.sum(meters, axis=0) + _BESIDES_ACCURACY) * share
    return np.asarray(seen), np.asarray(allowed + resistor / (1.0 - np.minimum(resistor, 0.5)))


def _seen_throughout(run: Run, seen: FloatArray) -> FloatArray:
    """Of a log: what its upper half shows, whose readings are far above the last digit."""
    voltage = np.abs(run.get("voltage"))
    with np.errstate(invalid="ignore"):
        upper = (voltage > 0.5 * np.nanmax(voltage, initial=0.0)) & np.isfinite(seen)
    return np.where(upper, np.median(seen[upper]) if upper.any() else np.nan, np.nan)


def columns_mixed_up(evidence: Evidence) -> Iterator[Finding]:
    """Voltage and current in each other's column."""
    for run in evidence.of("load"):
        if mixed_up(run):
            voltage, current, load = together(run, "voltage", "current", "load")
            yield _mixed_up_finding(
                run,
                f"voltage over current is {np.median(voltage / current):.3g} ohm and current "
                f"over voltage {np.median(current / voltage):.3g}, where the load is "
                f"{np.median(load):.3g} ohm",
            )
    for run in evidence.of("no-load-motor"):
        speed, voltage, current = together(run, "speed", "voltage", "current")
        if len(speed) and _current_follows_speed(speed, voltage, current):
            yield _mixed_up_finding(
                run,
                f"the current ({np.median(current):.3g} A) is larger than the voltage "
                f"({np.median(voltage):.3g} V) and rises with speed as a voltage does",
            )


def _current_follows_speed(speed: FloatArray, voltage: FloatArray, current: FloatArray) -> bool:
    """Whether what stands in the current column behaves like a voltage of a free motor."""
    clear = (speed > 0) & (voltage > 0) & (current > 0)
    if clear.sum() < 2 or not np.median(current) > np.median(voltage):
        return False
    log_speed = np.log(speed[clear])
    if np.ptp(log_speed) < np.log(1.3):
        return False
    slope_current = np.polyfit(log_speed, np.log(current[clear]), 1)[0]
    slope_voltage = np.polyfit(log_speed, np.log(voltage[clear]), 1)[0]
    return bool(slope_current > 0.6 and slope_voltage < 0.6)


def _mixed_up_finding(run: Run, evidence: str) -> Finding:
    return Finding(
        kind="voltage-current-mixed",
        where=run.source.name,
        says=f"Voltage and current seem to stand in each other's column: {evidence}.",
        suggestion="Look at the headers, and swap them if so.",
        severity="error",
        damage=40.0,
    )
