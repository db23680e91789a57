"""What truly happens while a machine comes to rest, before any logger looks at it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.machine.brushed import BrushedMachine
from motorfit.machine.coasting import CoastDown, coast_down
from motorfit.simulation.log_plans import CoastDownPlan
from motorfit.simulation.points import HARDLY_A_LOAD, World


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Course:
    """One quantity after another as a function of the time since release.

    Magnitudes as meters show them: the current of a coasting machine is positive here.
    """

    at: Callable[[FloatArray], dict[str, FloatArray]]  # ascending times [s] -> by quantity, SI
    end: float  # when the log ends [s]


def coast_down_course(
    world: World,
    plan: CoastDownPlan,
    machine: BrushedMachine,
    *,
    inertia: float,
    outside: float,
) -> Course:
    """The course of a coast-down.

    Parameters
    ----------
    world : World
        Temperature, leads, voltmeter.
    plan : CoastDownPlan
        Start and end.
    machine : BrushedMachine
        With the friction and the magnets of this run.
    inertia : float
        All that turns. [kg m2]
    outside : float
        The resistor and the ammeter; infinite for an open machine. [ohm]

    Returns
    -------
    Course
        Of speed, voltage and, on a resistor, current. Before release the drive holds the
        start speed.

    Raises
    ------
    ValueError
        If the machine never stands and the plan does not say when the log ends.
    """
    warm = float(world.winding_factor(world.cold_winding))
    conductance = 1.0 / outside + 1.0 / world.voltmeter
    in_all = world.leads + 1.0 / conductance if conductance else np.inf
    hardly = in_all > HARDLY_A_LOAD * float(np.asarray(machine.armature_resistance))

    def coasting(since: FloatArray) -> CoastDown:
        return coast_down(
            machine,
            inertia,
            plan.start_speed,
            since,
            load=np.inf if hardly else in_all,
            winding_factor=warm,
        )

    def at(time: FloatArray) -> dict[str, FloatArray]:
        run = coasting(np.maximum(time, 0.0))
        voltage = run.voltage + world.leads * run.current
        found = {"speed": run.speed, "voltage": voltage}
        return found | {"current": voltage / outside} if np.isfinite(outside) else found

    end = coasting(np.zeros(1)).stop + plan.idle if plan.duration is None else plan.duration
    if not np.isfinite(end):
        raise ValueError("a machine without dry friction never stands: give the duration")
    return Course(at=at, end=end)
