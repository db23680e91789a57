"""What truly happens while a machine comes to rest, before any logger looks at it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.machine.brushed import BrushedMachine, loss_torque, terminal_voltage
from motorfit.machine.operating import current_on_resistor
from motorfit.simulation.log_plans import CoastDownPlan
from motorfit.simulation.points import HARDLY_A_LOAD, World

#: Instants at which it is looked whether the machine stands.
_LOOKS = 2000


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
    in_all = world.leads + 1.0 / (1.0 / outside + 1.0 / world.voltmeter)
    load = (
        in_all
        if in_all < HARDLY_A_LOAD * float(np.asarray(machine.armature_resistance))
        else np.inf
    )

    def at(time: FloatArray) -> dict[str, FloatArray]:
        since = np.maximum(time, 0.0)
        speed = _speed(machine, inertia, plan.start_speed, since, load, warm)
        current = current_on_resistor(machine, speed, load, winding_factor=warm)
        voltage = terminal_voltage(machine, speed, current, winding_factor=warm)
        voltage = voltage + world.leads * current
        found = {"speed": speed, "voltage": voltage}
        return found | {"current": voltage / outside} if np.isfinite(outside) else found

    return Course(at=at, end=_end(plan, machine, inertia, at))


def _end(
    plan: CoastDownPlan,
    machine: BrushedMachine,
    inertia: float,
    at: Callable[[FloatArray], dict[str, FloatArray]],
) -> float:
    """When the log ends. Dry friction alone would take longest to stop the machine."""
    if plan.duration is not None:
        return plan.duration
    friction = float(np.asarray(machine.coulomb_torque))
    if not friction > 0:
        raise ValueError("a machine without dry friction never stands: give the duration")
    looks = np.linspace(0.0, inertia * plan.start_speed / friction * (1 + 1e-6), _LOOKS)
    stands = at(looks)["speed"] <= 0
    return float(looks[np.argmax(stands)] if stands.any() else looks[-1]) + plan.idle


def _speed(
    machine: BrushedMachine,
    inertia: float,
    start: float,
    time: FloatArray,
    load: float,
    warm: float,
) -> FloatArray:
    """Speed at ascending times from zero on; zero once the machine stands. [rad/s]"""
    from scipy.integrate import solve_ivp

    constant = np.asarray(machine.emf_constant)

    def acceleration(_: float, speed: FloatArray) -> FloatArray:
        current = current_on_resistor(machine, np.maximum(speed, 0.0), load, winding_factor=warm)
        return np.asarray((constant * current - loss_torque(machine, speed)) / inertia)

    def stands(_: float, speed: FloatArray) -> float:
        return float(speed[0])

    stands.terminal = True  # type: ignore[attr-defined]
    at, back = np.unique(time, return_inverse=True)
    found = solve_ivp(
        acceleration,
        (0.0, at[-1]),
        [start],
        t_eval=at,
        events=stands,
        rtol=1e-10,
        atol=1e-10 * start,
    )
    speed = np.zeros(at.shape)
    speed[: len(found.t)] = np.maximum(found.y[0], 0.0)
    return np.asarray(speed[back])
