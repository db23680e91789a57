"""What a fit of a scenario should find, and the readings it would have without any error."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.bench.records import Bench, Run
from motorfit.estimation.physics import EMF_RATIO, MACHINE_PARAMETERS, VBS, K
from motorfit.quantities import Stated
from motorfit.simulation.bench import simulate
from motorfit.simulation.instruments import VirtualKit, VirtualMeter
from motorfit.simulation.plan import Conditions
from motorfit.studies.scenarios import Scenario

#: Relative step of a display that hides nothing.
_FINE = 1e-12


def true_parameters(scenario: Scenario) -> FloatArray:
    """All of `MACHINE_PARAMETERS` of a scenario.

    Where both directions were read, the parameters are those of direction a. Friction that
    wanders has its long-run mean.
    """
    machine, conditions = scenario.machine, scenario.conditions
    full = np.array([float(np.asarray(getattr(machine, name, 0.0))) for name in MACHINE_PARAMETERS])
    standing = conditions.standing_brush_drop
    full[VBS] = float(np.asarray(machine.brush_drop)) if standing is None else standing
    if scenario.plan.directions == ("a", "b"):
        half = 0.5 * conditions.direction_effect
        full[K] *= 1.0 + half
        full[EMF_RATIO] = (1.0 - half) / (1.0 + half) - 1.0
    return full


def noise_free(scenario: Scenario) -> Bench:
    """The bench of a scenario as perfect meters would have read it on a perfect machine.

    It states the meters and the temperature of the scenario, and names every setting.
    """
    plan = replace(scenario.plan, label_settings=True)
    stated = simulate(
        scenario.machine, plan=plan, kit=scenario.kit, conditions=scenario.conditions, seed=0
    )
    exact = simulate(
        scenario.machine,
        plan=plan,
        kit=_perfect(scenario.kit),
        conditions=_still(scenario.conditions),
        seed=0,
    )
    runs = tuple(map(_as_written, exact.runs, stated.runs))
    return replace(stated, runs=runs)


def _as_written(exact: Run, stated: Run) -> Run:
    return replace(exact, written_step=stated.written_step)


def _still(conditions: Conditions) -> Conditions:
    """The same without anything that chance decides."""
    return replace(
        conditions,
        winding=Stated(conditions.winding.value),
        friction_row=0.0,
        friction_run=0.0,
        drive_scatter=0.0,
        speed_drift=0.0,
        setting_drift=0.0,
        serial_drift=0.0,
        supply_scatter=0.0,
        position_effect=0.0,
    )


def _perfect(kit: VirtualKit) -> VirtualKit:
    return replace(kit, meters={name: _exact(meter) for name, meter in kit.meters.items()})


def _exact(meter: VirtualMeter) -> VirtualMeter:
    known = meter.stated.calibration
    fine = _FINE * meter.stated.display_factor
    return replace(
        meter,
        stated=replace(meter.stated, counts=None, resolution=fine),
        gain=0.0 if known is None else known.gain,
        offset=0.0,
        repeatability=0.0,
        noise=0.0,
    )
