"""What truly happens in heat runs, at breakaway, and with the drive alone."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.bench.kinds import Kind
from motorfit.machine.brushed import brush_saturation, loss_torque
from motorfit.machine.heating import HeatRun, TwoBodies, Winding, heat_run
from motorfit.machine.temperature import WINDING_CONSTANT
from motorfit.simulation.heat_plans import BreakawayPlan, DrivePlan, HeatRunPlan
from motorfit.simulation.plan import BenchPlan
from motorfit.simulation.points import Points, World, about_one, drive_power

#: While the air drifts, it is taken as steady for this long. [s]
_STEADY_AIR = 10.0


def late_points(world: World, plan: BenchPlan, rng: np.random.Generator) -> list[Points]:
    """The points of the tests that come after all others, in the order of their sheets."""
    found = [_heat_run(name, world, each, rng) for name, each in named_heat_runs(plan).items()]
    if plan.breakaway is not None:
        found.append(_breakaway(plan.breakaway, rng))
    if plan.drive is not None and plan.drive.alone_speeds:
        found.append(_alone(plan.drive, world, rng))
    return found


def named_heat_runs(plan: BenchPlan) -> dict[str, HeatRunPlan]:
    """The heat runs of a plan by their files."""
    numbers = [""] + [f"-{number}" for number in range(2, len(plan.heat_runs) + 1)]
    return {f"heat-run{n}.csv": run for n, run in zip(numbers, plan.heat_runs, strict=False)}


def _heat_run(name: str, world: World, plan: HeatRunPlan, rng: np.random.Generator) -> Points:
    """Current, and what tells the temperature; the rotor of a cooling machine stands."""
    place = float(about_one(rng, world.conditions.position_effect)) if plan.speed is None else 1.0
    time = np.arange(0.0, plan.duration * (1 + 1e-9), plan.step)
    since = np.arange(plan.cooling_step, plan.cooling * (1 + 1e-9), plan.cooling_step)
    winding = _warmed(world, plan, time, since, place)
    current = np.concatenate(
        [np.full(time.shape, plan.current), np.full(since.shape, plan.cooling_current)]
    )
    turning = np.concatenate([np.full(time.shape, plan.speed or 0.0), np.zeros(since.shape)])
    when = np.concatenate([time, plan.duration + since])
    true = {"time": when, "current": current}
    if plan.speed is not None:
        true["speed"] = turning
    if "voltage" in plan.records:
        true["voltage"] = _voltage(world, current, turning, winding, place)
    if "winding" in plan.records:
        true["winding"] = winding
    if plan.ambient:
        true["ambient"] = world.cold_winding + plan.ambient_drift * when
    return _points("heat-run", name, true)


def _voltage(
    world: World, current: FloatArray, speed: FloatArray, winding: FloatArray, place: float
) -> FloatArray:
    """At the meter, with the brush drop that the standing or the running machine has. [V]"""
    machine = world.at("")
    running = float(np.asarray(machine.brush_drop))
    standing = world.conditions.standing_brush_drop
    drop = np.where(speed > 0, running, running if standing is None else standing)
    resistance = np.asarray(machine.armature_resistance) * place * world.winding_factor(winding)
    emf = np.asarray(machine.emf_constant) * speed
    emf = emf * (1.0 - np.asarray(machine.armature_reaction) * current)
    brushes = drop * brush_saturation(current, machine.brush_current_scale)
    return np.asarray(emf + (resistance + world.leads) * current + brushes)


def _warmed(
    world: World, plan: HeatRunPlan, time: FloatArray, since: FloatArray, place: float
) -> FloatArray:
    """Temperature of the winding while it warms, and then while it cools. [degC]"""
    machine = world.at("")
    drop = np.asarray(machine.brush_drop)
    if plan.speed is None and world.conditions.standing_brush_drop is not None:
        drop = np.asarray(world.conditions.standing_brush_drop)
    winding = Winding(
        resistance=np.asarray(machine.armature_resistance) * place,
        reference=world.conditions.reference,
        winding_constant=WINDING_CONSTANT[world.conditions.winding_material],
        brush_drop=drop,
    )
    speed = plan.speed or 0.0
    loss = float(loss_torque(machine, speed)) * speed
    start = np.array([world.cold_winding, world.cold_winding])
    times = np.append(time, plan.duration)
    warm, end = _followed(world, plan, winding, plan.current, loss, times, 0.0, start)
    cooled, _ = _followed(
        world, plan, winding, plan.cooling_current, 0.0, since, plan.duration, end
    )
    return np.concatenate([warm[:-1], cooled])


def _followed(
    world: World,
    plan: HeatRunPlan,
    winding: Winding,
    current: float,
    loss: float,
    time: FloatArray,
    after: float,
    start: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Temperatures at ascending times since ``after``, and those of both bodies at the end.

    In one piece in steady air, in short ones while it drifts.
    """
    if not len(time):
        return time, start
    until = float(time[-1])
    pieces = int(np.ceil(until / _STEADY_AIR)) if plan.ambient_drift and until else 1
    edges = np.linspace(0.0, until, pieces + 1)
    edges[-1] = np.inf
    found = np.empty(time.shape)
    for left, right in pairwise(edges.tolist()):
        middle = left + (0.5 * (right - left) if np.isfinite(right) else 0.0)
        air = world.cold_winding + plan.ambient_drift * (after + middle)
        here = (time >= left) & (time < right)
        last = min(right, until)
        times = np.append(time[here], last) - left
        run = _run_from(plan, winding, current, loss, times, air, start)
        found[here] = run.winding[:-1]
        start = np.array([run.winding[-1], run.frame[-1]])
    return found, start


def _run_from(
    plan: HeatRunPlan,
    winding: Winding,
    current: float,
    loss: float,
    time: FloatArray,
    air: float,
    start: FloatArray,
) -> HeatRun:
    rises = (float(start[0]) - air, float(start[1]) - air)
    rise = rises if isinstance(plan.bodies, TwoBodies) else rises[0]
    return heat_run(
        time, current, winding, plan.bodies, ambient=air, loss_power=loss, start_rise=rise
    )


def _breakaway(plan: BreakawayPlan, rng: np.random.Generator) -> Points:
    """Friction and cogging add up one way round, and differ the other."""
    position = np.repeat(np.arange(plan.positions) * 2 * np.pi / plan.positions, plan.repeats)
    cogging = plan.cogging * np.sin(plan.steps * (position + 2 * np.pi * rng.uniform()))
    parts = []
    for way in plan.directions:
        friction = plan.friction * about_one(rng, plan.scatter, position.shape)
        parts.append(np.maximum(friction + (-cogging if way == "b" else cogging), 0.0))
    true = {
        "torque": np.concatenate(parts),
        "position": np.tile(position, len(parts)),
    }
    points = _points("breakaway", "breakaway.csv", true)
    return replace(points, direction=tuple(way for way in plan.directions for _ in position))


def _alone(plan: DrivePlan, world: World, rng: np.random.Generator) -> Points:
    speed = np.array(plan.alone_speeds)
    speed = speed * about_one(rng, world.conditions.drive_scatter, speed.shape)
    true = {"speed": speed, "drive_power": drive_power(plan, speed, np.zeros(speed.shape))}
    return replace(_points("open-circuit", "open-circuit-drive-alone.csv", true), uncoupled=True)


def _points(kind: Kind, name: str, true: dict[str, FloatArray]) -> Points:
    count = len(next(iter(true.values())))
    return Points(
        kind=kind,
        name=name,
        true=true,
        load=None,
        setting=np.arange(count),
        direction=("",) * count,
    )
