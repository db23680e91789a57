"""Physical sense before any fit: what looks like a slip, as findings with a suggestion.

Thresholds are generous. A bench without a slip should hear nothing here, and what is left
to be found is the business of the fit's residuals.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from motorfit.bench.drive import power_of_drive
from motorfit.bench.evidence import Evidence, Instruments
from motorfit.bench.records import Run
from motorfit.bench.sense_of_heat import (
    heat_run_cools,
    heat_run_too_short,
    heat_run_without_current,
    heat_run_without_speed,
)
from motorfit.bench.sense_of_logs import (
    coast_down_speeds_up,
    load_changes_in_a_log,
    loaded_without_resistance,
    time_of_another_unit,
    volts_without_speed,
)
from motorfit.bench.sense_of_machine import (
    almost_no_voltage,
    constant_against_label,
    constant_against_torque,
    gear_twice,
    load_above_open_circuit,
    speed_not_checked,
    too_much_voltage,
)
from motorfit.bench.sense_of_sheets import (
    columns_mixed_up,
    load_values,
    mixed_signs,
    negative_resistance,
    two_speed_columns,
    voltage_against_speed,
)
from motorfit.bench.settings import Settings
from motorfit.finding import Finding, worst_first

Check = Callable[[Evidence], Iterable[Finding]]

CHECKS: tuple[Check, ...] = (
    columns_mixed_up,
    almost_no_voltage,
    too_much_voltage,
    negative_resistance,
    voltage_against_speed,
    two_speed_columns,
    constant_against_label,
    constant_against_torque,
    gear_twice,
    load_above_open_circuit,
    load_values,
    mixed_signs,
    power_of_drive,
    coast_down_speeds_up,
    loaded_without_resistance,
    load_changes_in_a_log,
    time_of_another_unit,
    volts_without_speed,
    heat_run_cools,
    heat_run_without_current,
    heat_run_without_speed,
    heat_run_too_short,
    speed_not_checked,
)


def check_plausibility(
    runs: Sequence[Run], settings: Settings, instruments: Instruments
) -> tuple[Finding, ...]:
    """Look for readings that make no physical sense.

    Parameters
    ----------
    runs : sequence of Run
        Everything that was read.
    settings : Settings
        With the label's claims, the gear and the speed sensor.
    instruments : mapping
        By quantity and meter.

    Returns
    -------
    tuple of Finding
        What looks like a slip, the most damaging first; never a refusal.
    """
    of_machine = [run for run in runs if not run.uncoupled]
    alone = [run for run in runs if run.uncoupled]
    evidence = Evidence(of_machine, settings, instruments, alone)
    return worst_first(finding for check in CHECKS for finding in check(evidence))
