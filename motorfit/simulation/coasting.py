"""Virtual coast-downs: one sheet for each run of the plan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import chain, count
from pathlib import Path

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.bench.records import Run
from motorfit.simulation.courses import coast_down_course
from motorfit.simulation.instruments import VirtualKit
from motorfit.simulation.log_plans import CoastDownPlan
from motorfit.simulation.logs import Log, log_of
from motorfit.simulation.plan import BenchPlan
from motorfit.simulation.points import World, about_one, rubbing
from motorfit.simulation.readings import DrawnKit, decimal_step


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LoggedRun:
    """A logged run, and what is behind it."""

    run: Run
    true: Mapping[str, FloatArray]  # by quantity, at the instants of the samples
    added_inertia: float  # [kg m2]
    friction: float  # loss torque relative to the machine's


def coast_downs(
    world: World,
    plan: BenchPlan,
    kit: VirtualKit,
    drawn: DrawnKit,
    moment_of_inertia: float | None,
) -> list[LoggedRun]:
    """The coast-downs of a plan, in its order.

    Raises
    ------
    ValueError
        If there are some and the moment of inertia is not given, or not positive.
    """
    if not plan.coast_downs:
        return []
    if moment_of_inertia is None or not moment_of_inertia > 0:
        raise ValueError(
            f"moment_of_inertia must be positive for a coast-down, found {moment_of_inertia!r}"
        )
    return [
        _coast_down(name, each, world, kit, drawn, moment_of_inertia)
        for name, each in zip(_names(plan.coast_downs), plan.coast_downs, strict=True)
    ]


def _names(plans: Sequence[CoastDownPlan]) -> list[str]:
    """A file for each run: "coast-down.csv", "coast-down-2.csv", or by its name."""
    found: list[str] = []
    for plan in plans:
        first = "coast-down" + (f"-{plan.name}" if plan.name else "")
        further = (f"{first}-{number}.csv" for number in count(2))
        found.append(next(name for name in chain([f"{first}.csv"], further) if name not in found))
    return found


def _coast_down(
    name: str,
    plan: CoastDownPlan,
    world: World,
    kit: VirtualKit,
    drawn: DrawnKit,
    moment_of_inertia: float,
) -> LoggedRun:
    friction = float(about_one(drawn.rng, world.conditions.friction_run))
    added = 0.0
    if plan.added_inertia is not None:
        added = plan.added_inertia.value + plan.added_inertia.half_width * drawn.draw()
    outside = np.inf
    if plan.load is not None:
        outside = drawn.resistor(kit, plan.load)
        outside += kit.meter("current").stated.burden if plan.has_ammeter else 0.0
    course = coast_down_course(
        world,
        plan,
        rubbing(world.at(""), np.asarray(friction)),
        inertia=moment_of_inertia + added,
        outside=outside,
    )
    quantities = plan.records + (("current",) if plan.has_ammeter else ())
    log = log_of(
        course,
        quantities,
        start=-plan.engaged,
        step=plan.step,
        noise=plan.noise,
        kit=kit,
        drawn=drawn,
    )
    run = _sheet(name, plan, log)
    return LoggedRun(run=run, true=log.true, added_inertia=added, friction=friction)


def _sheet(name: str, plan: CoastDownPlan, log: Log) -> Run:
    """The sheet; a remark above the table says what was added to the shaft."""
    samples = len(log.shown["time"])
    readings, steps = dict(log.shown), dict(log.steps)
    if "current" in readings:
        readings["current"] = 0.0 - readings["current"]  # a coasting machine is driven
    if plan.load is not None and plan.load_columns != "current":
        readings["load"] = np.full(samples, plan.load)
        steps["load"] = decimal_step(plan.load)
    first = 2 if plan.added_inertia is None else 3
    return Run(
        kind="coast-down",
        source=Path(name),
        rows=np.arange(first, samples + first),
        readings=readings,
        written_step=steps,
        setting=("",) * samples,
        direction=("",) * samples,
        note=("",) * samples,
        added_inertia=plan.added_inertia,
    )
