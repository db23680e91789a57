"""What a fit of a scenario should find, and the readings it would have without any error."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.bench.records import Bench, Run
from motorfit.estimation.coast_logs import reduce_logs
from motorfit.estimation.physics import EMF_RATIO, MACHINE_PARAMETERS, VBS, J, K
from motorfit.estimation.problem import Problem
from motorfit.estimation.rows import SPEED, TORQUE, VOLTAGE
from motorfit.quantities import Stated
from motorfit.simulation.bench import simulate
from motorfit.simulation.instruments import VirtualKit, VirtualMeter
from motorfit.simulation.plan import BenchPlan, Conditions
from motorfit.studies.scenarios import Scenario, with_correlations

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
    full[J] = scenario.moment_of_inertia or 0.0
    full[VBS] = float(np.asarray(machine.brush_drop)) if standing is None else standing
    if scenario.plan.directions == ("a", "b"):
        half = 0.5 * conditions.direction_effect
        full[K] *= 1.0 + half
        full[EMF_RATIO] = (1.0 - half) / (1.0 + half) - 1.0
    return full


def noise_free(scenario: Scenario) -> Bench:
    """The bench of a scenario as perfect meters would have read it on a perfect machine.

    It states the meters and the temperature of the scenario, and names every setting. Its
    coast-downs are reduced ones, for logs without noise would tell everything: see
    `with_exact_rates`.
    """
    plan = replace(_usual_logs(scenario), label_settings=True)
    stated, exact, unbiased = (
        simulate(
            scenario.machine,
            plan=plan,
            kit=kit,
            conditions=conditions,
            moment_of_inertia=scenario.moment_of_inertia,
            seed=0,
        )
        for kit, conditions in (
            (scenario.kit, scenario.conditions),
            (_perfect(scenario.kit), _still(scenario.conditions)),
            (_unbiased(scenario.kit), _still(scenario.conditions)),
        )
    )
    tables = tuple(map(_as_written, _tables(exact), _tables(stated)))
    logs = reduce_logs(unbiased).bench.of_kind("coast-down")
    return replace(stated, runs=tables + logs)


def with_exact_rates(problem: Problem, theta: FloatArray) -> Problem:
    """A problem whose coasting rows are those of the machine, without an error.

    Parameters
    ----------
    problem : Problem
        Of a bench whose logs have been reduced.
    theta : ndarray, shape (p + r,)
        The truth.

    Returns
    -------
    Problem
        At the same values of what was logged. What nobody read and the rate itself are such
        that both equations hold; the equations are linear in them.
    """
    conditions, coasting = problem.conditions, problem.conditions.rows.coasting
    unread = conditions.rows.unread > 0
    steps = [(0, axis, coasting & unread[:, axis]) for axis in (VOLTAGE, SPEED)]
    for equation, axis, chosen in (*steps, (1, TORQUE, coasting)):
        if chosen.any():
            at, shown = conditions.linearise(theta), conditions.rows.shown.copy()
            off = at.residual[chosen, equation] / at.sensitivity[chosen, equation, axis]
            shown[chosen, axis] -= off
            conditions = conditions.with_rows(replace(conditions.rows, shown=shown))
    return replace(problem, conditions=conditions)


def _tables(bench: Bench) -> tuple[Run, ...]:
    return tuple(run for run in bench.runs if run.kind != "coast-down")


def _usual_logs(scenario: Scenario) -> BenchPlan:
    r"""The plan with logs whose noise is worth what that of all benches is worth on average.

    Noise that hangs together by :math:`\rho` from sample to sample is worth
    :math:`(1 + \rho) / (1 - \rho)` times its variance in a mean over many; averaged over
    :math:`\rho` from 0 to m that is :math:`-2 \ln(1 - m) / m - 1`.
    """
    most = scenario.log_correlation
    if not most:
        return scenario.plan
    worth = -2.0 * np.log1p(-most) / most - 1.0
    correlation = float((worth - 1.0) / (worth + 1.0))
    return with_correlations(scenario.plan, [correlation] * len(scenario.plan.coast_downs))


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


def _unbiased(kit: VirtualKit) -> VirtualKit:
    """Displays and scatter as they are, no gain and no offset that nobody knows."""
    meters = {
        name: replace(meter, gain=_known_gain(meter), offset=0.0)
        for name, meter in kit.meters.items()
    }
    return replace(kit, meters=meters)


def _perfect(kit: VirtualKit) -> VirtualKit:
    return replace(kit, meters={name: _exact(meter) for name, meter in kit.meters.items()})


def _exact(meter: VirtualMeter) -> VirtualMeter:
    fine = _FINE * meter.stated.display_factor
    return replace(
        meter,
        stated=replace(meter.stated, counts=None, resolution=fine),
        gain=_known_gain(meter),
        offset=0.0,
        repeatability=0.0,
        noise=0.0,
    )


def _known_gain(meter: VirtualMeter) -> float:
    known = meter.stated.calibration
    return 0.0 if known is None else known.gain
