"""Physical sense of a heat run.

Its limits are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from motorfit.arrays import BoolArray, FloatArray
from motorfit.bench.evidence import Evidence, accuracy_half_width, listed, place, rank_correlation
from motorfit.bench.records import Run
from motorfit.finding import Finding

#: Heating is what flows at more than this share of the largest current.
_HEATING = 0.5

#: A current that changes by more than this is no one heat run's: what it does to the brush
#: drop and to the temperature cannot be told by looking.
_STEADY = 0.1

#: A resistance that falls by less may be brushes that bed in.
_LEAST_FALL = 0.02

#: A thermometer that falls by less may be a room that cools. [K]
_LEAST_COOLING = 3.0

#: No machine of this kind of bench warms to its end in less. [s]
_SHORTEST = 60.0

#: Fewer readings show no trend.
_FEWEST = 4


def heat_run_cools(evidence: Evidence) -> Iterator[Finding]:
    """A winding that gets colder while the heating current flows."""
    for run in evidence.of("heat-run"):
        found = _falls(run, evidence)
        if found is None:
            continue
        rows, says = found
        yield Finding(
            kind="heat-run-cools",
            where=place(run, rows),
            says=says,
            suggestion="Look whether the readings stand in the order of their time, whether "
            "voltage and current are exchanged, or whether the sheet is of the machine cooling "
            "down.",
            severity="error",
            damage=30.0,
        )


def _falls(run: Run, evidence: Evidence) -> tuple[BoolArray, str] | None:
    """Where the winding is coldest after it was warmer, and the evidence."""
    turning = evidence.settings.heat_run.rotor == "turning"
    thermometer = "winding" in run.readings
    if turning and not thermometer:
        return None  # its voltage follows speed and magnets as well
    told = run.get("winding") if thermometer else _resistance(run)
    heating = _heating(run) & np.isfinite(told) & np.isfinite(run.get("time"))
    current = np.abs(run.get("current")[heating])
    if heating.sum() < _FEWEST or np.ptp(current) > _STEADY * np.max(current):
        return None
    order = np.flatnonzero(heating)[np.argsort(run.get("time")[heating], kind="stable")]
    values = told[order]
    third = max(len(values) // 3, 1)
    first, last = float(np.median(values[:third])), float(np.median(values[-third:]))
    if rank_correlation(np.arange(len(values), dtype=float), values) > -0.6:
        return None
    rows = np.zeros(len(run), dtype=np.bool_)
    rows[order[-1]] = True
    minutes = (run.get("time")[order[-1]] - run.get("time")[order[0]]) / 60.0
    if thermometer:
        if first - last < _LEAST_COOLING:
            return None
        fell = f"the winding's temperature fell from {first:.0f} to {last:.0f} degC"
    else:
        if first - last < max(_LEAST_FALL, _doubt(run, evidence)) * first:
            return None
        fell = f"voltage over current fell from {first:.4g} to {last:.4g} ohm"
    return rows, (
        f"While the current flowed {fell} over {minutes:.3g} min (until {listed(run, rows)}): a "
        "heat run gets warmer."
    )


def _resistance(run: Run) -> FloatArray:
    current = np.abs(run.get("current"))
    voltage = np.abs(run.get("voltage"))
    ratio = np.full(current.shape, np.nan)
    return np.asarray(np.divide(voltage, current, out=ratio, where=current > 0))


def _heating(run: Run) -> BoolArray:
    size = np.abs(run.get("current"))
    largest = float(np.nanmax(size, initial=0.0))
    return np.asarray(np.isfinite(size) & (size > _HEATING * largest) & (largest > 0))


def _doubt(run: Run, evidence: Evidence) -> float:
    """What rounding alone may do to the ratio, relative: gains do not change in a run."""
    share = 0.0
    for quantity in ("voltage", "current"):
        size = float(np.nanmedian(np.abs(run.get(quantity)[_heating(run)])))
        step = run.written_step.get(quantity, 0.0)
        half = float(np.nanmedian(accuracy_half_width(run, quantity, evidence.instruments)))
        share += min(2.0 * step, half) / size if size > 0 else 0.0
    return share


def heat_run_without_current(evidence: Evidence) -> Iterator[Finding]:
    """A heat run in which nothing heats."""
    for run in evidence.of("heat-run"):
        current = run.get("current")
        if np.isfinite(current).any() and not np.nanmax(np.abs(current)) > 0:
            yield Finding(
                kind="heat-run-without-current",
                where=run.source.name,
                says=f"The current is zero in all {len(run)} readings: nothing heats the winding.",
                suggestion="Write the heating current into the column; readings after switching "
                "off belong into the same sheet, below.",
                severity="error",
                damage=25.0,
            )


def heat_run_without_speed(evidence: Evidence) -> Iterator[Finding]:
    """A heat run with the rotor turning, and how fast is not said."""
    if evidence.settings.heat_run.rotor != "turning":
        return
    for run in evidence.of("heat-run"):
        missing = _heating(run) & np.isnan(run.get("speed"))
        if not missing.any():
            continue
        alone = "speed" not in run.readings
        found = (
            "the sheet has no speed" if alone else f"the speed is blank in {listed(run, missing)}"
        )
        yield Finding(
            kind="heat-run-without-speed",
            where=run.source.name if alone else place(run, missing),
            says=f"[heat_run] in machine.toml says that the rotor turned, and {found}.",
            suggestion="Add a column speed (rpm): turning cools, and wastes heat of its own. If "
            'the rotor was held, write rotor = "held".',
            severity="error",
            damage=25.0,
        )


def heat_run_too_short(evidence: Evidence) -> Iterator[Finding]:
    """A heat run that ended before anything got warm, or whose clock is in another unit."""
    for run in evidence.of("heat-run"):
        time = run.get("time")[_heating(run)]
        time = time[np.isfinite(time)]
        if len(time) < 2 or np.ptp(time) >= _SHORTEST:
            continue
        yield Finding(
            kind="heat-run-too-short",
            where=run.source.name,
            says=f"The heating current flowed for {np.ptp(time):.3g} s, of a warming that takes "
            "minutes to hours.",
            suggestion="If the column holds minutes, its header is time (min). Else let the "
            "heat run go on until the voltage no longer rises.",
            damage=12.0,
        )
