"""What `motorfit simulate` has measured: its options, and the plan they ask for."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, TypeVar

import click

from motorfit.cli.options import grid, quantity

if TYPE_CHECKING:
    from motorfit.machine.brushed import BrushedMachine
    from motorfit.quantities import Stated
    from motorfit.simulation.plan import BenchPlan

Function = TypeVar("Function", bound=Callable[..., object])

#: Currents of a brake test, of that which would flow in a held rotor.
_BRAKED = (0.05, 0.1, 0.15, 0.2)

_OPTIONS = (
    click.option(
        "--speeds",
        callback=grid("speed"),
        multiple=True,
        metavar="SPEEDS",
        help='Driven speeds: "500:2500:250 rpm".  [default: eight up to 30 V]',
    ),
    click.option(
        "--resistors",
        callback=grid("resistance"),
        multiple=True,
        metavar="RESISTORS",
        help='Resistors of the load test: "2.2, 4.7, 10 ohm".  [default: three that fit]',
    ),
    click.option(
        "--supplies",
        callback=grid("voltage"),
        multiple=True,
        metavar="VOLTAGES",
        help='Supplies of the no-load test: "6, 12, 24 V".  [default: three that fit]',
    ),
    click.option(
        "--coast-downs",
        type=click.IntRange(0, 20),
        default=0,
        show_default=True,
        help="So many coast-downs open, and as many on the largest resistor.",
    ),
    click.option(
        "--inertia",
        callback=quantity("inertia", positive=True),
        default="6e-4 kg m2",
        show_default=True,
        metavar="QUANTITY",
        help="Moment of inertia, for the coast-downs.",
    ),
    click.option(
        "--heat-runs",
        callback=grid("current"),
        multiple=True,
        metavar="CURRENTS",
        help='Heat runs with the rotor held: "3 A".  [default: none]',
    ),
    click.option(
        "--thermal-resistance",
        callback=quantity("thermal_resistance", positive=True),
        default="2 K/W",
        show_default=True,
        metavar="QUANTITY",
        help="From the winding to the air.",
    ),
    click.option(
        "--warming",
        callback=quantity("time", positive=True),
        default="25 min",
        show_default=True,
        metavar="TIME",
        help="Thermal time constant; a heat run lasts 3.6 of them.",
    ),
)

#: How long a heat run lasts, in time constants, and its rows.
_LASTS, _ROWS = 3.6, 37


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanWish:
    """What was asked for, in SI."""

    speeds: list[float]
    resistors: list[float]
    supplies: list[float]
    coast_downs: int
    inertia: Stated
    heat_runs: list[float]
    thermal_resistance: Stated
    warming: Stated


def plan_options(command: Function) -> Function:
    """Add the options of the plan, for a `PlanWish`."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def plan_of(machine: BrushedMachine, wish: PlanWish, mistake: str | None) -> BenchPlan:
    """The usual plan, with what was asked for in its place, and what a slip needs.

    Raises
    ------
    click.BadParameter
        If a list has something in it that is not above zero.
    """
    from motorfit.simulation.plan import usual_plan

    for option in ("speeds", "resistors", "supplies", "heat_runs"):
        values = getattr(wish, option)
        if values and min(values) <= 0:
            hint = f"--{option.replace('_', '-')}"
            raise click.BadParameter("must all be above zero.", param_hint=hint)
    plan = usual_plan(machine)
    plan = replace(
        plan,
        open_circuit_speeds=tuple(wish.speeds) or plan.open_circuit_speeds,
        load_speeds=tuple(wish.speeds) or plan.load_speeds,
        load_resistors=tuple(wish.resistors) or plan.load_resistors,
        supply_voltages=tuple(wish.supplies) or plan.supply_voltages,
    )
    return _with_brake(mistake, machine, _with_logs(machine, plan, wish))


def _with_logs(machine: BrushedMachine, plan: BenchPlan, wish: PlanWish) -> BenchPlan:
    if wish.coast_downs:
        from motorfit.simulation.log_plans import LogNoise, usual_coast_downs

        logs = usual_coast_downs(
            machine,
            wish.inertia.value,
            start_speed=max(plan.open_circuit_speeds),
            load=max(plan.load_resistors),
            runs=wish.coast_downs,
            noise=LogNoise(scatter=0.002, floor=0.0003, correlation=0.3, commutator=0.003),
        )
        plan = replace(plan, coast_downs=logs)
    if wish.heat_runs:
        from motorfit.machine.heating import OneBody
        from motorfit.simulation.heat_plans import HeatRunPlan

        lag = wish.warming.value
        body = OneBody(thermal_resistance=wish.thermal_resistance.value, time_constant=lag)
        heated = HeatRunPlan(
            current=wish.heat_runs[0],
            bodies=body,
            duration=_LASTS * lag,
            step=_LASTS * lag / (_ROWS - 1),
        )
        plan = replace(
            plan, heat_runs=tuple(replace(heated, current=amps) for amps in wish.heat_runs)
        )
    return plan


def _with_brake(mistake: str | None, machine: BrushedMachine, plan: BenchPlan) -> BenchPlan:
    """The plan, with the test that a slip needs where it has none."""
    if mistake != "wrong-arm":
        return plan
    import numpy as np

    supply = max(plan.supply_voltages)
    held = supply / np.asarray(machine.armature_resistance, float)
    torques = np.asarray(machine.emf_constant, float) * held * np.array(_BRAKED)
    return replace(plan, brake_torques=tuple(torques.tolist()), brake_voltage=supply)
