"""Readings of a known machine through known instruments."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.bench.kinds import KINDS
from motorfit.bench.records import Bench, Run
from motorfit.bench.settings import (
    ConditionsTable,
    HeatRunTable,
    LeadsTable,
    MachineTable,
    Settings,
    ShelfTable,
)
from motorfit.bench.signs import FROM_OUTSIDE
from motorfit.machine.brushed import BrushedMachine
from motorfit.machine.heating import Bodies
from motorfit.meter import Instrument
from motorfit.quantities import Stated
from motorfit.simulation.coasting import coast_downs
from motorfit.simulation.instruments import VirtualKit
from motorfit.simulation.late_points import late_points, named_heat_runs
from motorfit.simulation.plan import BenchPlan, Conditions, usual_plan
from motorfit.simulation.points import Points, World, all_points
from motorfit.simulation.readings import DrawnError, DrawnKit, decimal_step

#: Written position: whole degrees.
DEGREE = np.pi / 180

#: Times that somebody writes down, where no logger does it. [s]
WATCH = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What is behind the readings of a virtual bench."""

    machine: BrushedMachine
    winding: float  # the winding's true temperature, cold [degC]
    errors: tuple[DrawnError, ...]  # of each range of each meter, and of each resistor
    true: Mapping[str, Mapping[str, FloatArray]]  # file -> quantity -> true values, magnitudes
    moment_of_inertia: float | None = None  # of the machine alone [kg m2]
    added_inertia: Mapping[str, float] = field(default_factory=dict)  # by file [kg m2]
    friction: Mapping[str, float] = field(default_factory=dict)  # by file, of the machine's
    bodies: Mapping[str, Bodies] = field(default_factory=dict)  # by file of a heat run


def simulate(
    machine: BrushedMachine,
    *,
    plan: BenchPlan | None = None,
    kit: VirtualKit | None = None,
    conditions: Conditions | None = None,
    moment_of_inertia: float | None = None,
    seed: int,
    name: str = "simulated machine",
) -> Bench:
    """Readings of a known machine through known instruments, as `read_bench` gives them.

    Parameters
    ----------
    machine : BrushedMachine
        The machine, every parameter a float, at ``conditions.reference``.
    plan : BenchPlan, optional
        Which readings are taken; `usual_plan` of the machine where left out.
    kit : VirtualKit, optional
        The meters; plain handheld ones where left out.
    conditions : Conditions, optional
        Temperature, wandering friction, drift.
    moment_of_inertia : float, optional
        Of the machine, for its coast-downs. [kg m2]
    seed : int
        The same seed gives the same bench, byte for byte.
    name : str
        Of the machine.

    Returns
    -------
    Bench
        Without findings: no sense is made of the readings here.

    Raises
    ------
    ValueError
        If the plan asks for what the machine or the kit cannot do: a meter that is not
        there, a supply too low for the motor to start, a coast-down without an inertia.

    See Also
    --------
    simulate_with_truth : the bench, and what is behind it.

    Notes
    -----
    Each reading is ``(1 + g) true + o + e``, rounded to the display, as
    `motorfit.simulation.readings` says. A resistor's own gain error stands between the
    value written on it, which is the reading, and its true one.

    Examples
    --------
    >>> from motorfit.machine.brushed import BrushedMachine
    >>> lamp = BrushedMachine(emf_constant=0.08, armature_resistance=0.8, brush_drop=0.8,
    ...                       coulomb_torque=0.03, viscous_coefficient=5e-5)
    >>> bench = simulate(lamp, seed=1)
    >>> [run.source.name for run in bench.runs]
    ['open-circuit.csv', 'load.csv', 'no-load-motor.csv', 'resistance.csv', 'zero.csv']
    """
    return simulate_with_truth(
        machine,
        plan=plan,
        kit=kit,
        conditions=conditions,
        moment_of_inertia=moment_of_inertia,
        seed=seed,
        name=name,
    )[0]


def simulate_with_truth(
    machine: BrushedMachine,
    *,
    plan: BenchPlan | None = None,
    kit: VirtualKit | None = None,
    conditions: Conditions | None = None,
    moment_of_inertia: float | None = None,
    seed: int,
    name: str = "simulated machine",
) -> tuple[Bench, Truth]:
    """Readings of a known machine, and what is behind them.

    Parameters are those of `simulate`.

    Returns
    -------
    bench : Bench
    truth : Truth
    """
    plan = plan or usual_plan(machine)
    kit = kit or VirtualKit()
    conditions = conditions or Conditions()
    rng = np.random.default_rng(seed)
    drawn = DrawnKit(rng=rng, normal=kit.draw == "normal")
    world = _world(machine, plan, kit, conditions, drawn)
    points = all_points(world, plan, rng)
    runs = tuple(_run(each, plan, kit, conditions, drawn) for each in points)
    # last, so that a bench has the same readings with logs and without
    logged = coast_downs(world, plan, kit, drawn, moment_of_inertia)
    late = late_points(world, plan, rng)
    runs += tuple(each.run for each in logged)
    runs += tuple(_run(each, plan, kit, conditions, drawn) for each in late)
    settings = _settings(name, plan, kit, conditions, runs)
    bench = Bench(source=Path(name), settings=settings, instruments=settings.instruments, runs=runs)
    truth = Truth(
        machine=machine,
        winding=world.cold_winding,
        errors=tuple(drawn.errors.values()),
        true={each.name: each.true for each in (*points, *late)}
        | {each.run.source.name: each.true for each in logged},
        moment_of_inertia=moment_of_inertia,
        added_inertia={
            each.run.source.name: each.added_inertia for each in logged if each.added_inertia
        },
        friction={each.run.source.name: each.friction for each in logged},
        bodies={name: each.bodies for name, each in named_heat_runs(plan).items()},
    )
    return bench, truth


def _world(
    machine: BrushedMachine,
    plan: BenchPlan,
    kit: VirtualKit,
    conditions: Conditions,
    drawn: DrawnKit,
) -> World:
    """Draw what stays the same all day: resistors, temperature."""
    half_width = conditions.winding.half_width
    winding = conditions.winding.value + half_width * drawn.draw()
    resistors = {nominal: drawn.resistor(kit, nominal) for nominal in plan.load_resistors}
    ammeter = "current" in kit.meters and plan.load_columns != "load"
    voltmeter = kit.meter("voltage").stated.input_resistance
    return World(
        machine=machine,
        conditions=conditions,
        cold_winding=winding,
        resistors=resistors,
        ammeter=kit.meter("current").stated.burden if ammeter else 0.0,
        leads=kit.leads,
        voltmeter=np.inf if voltmeter is None else voltmeter,
    )


def _run(
    points: Points, plan: BenchPlan, kit: VirtualKit, conditions: Conditions, drawn: DrawnKit
) -> Run:
    """The sheet that somebody would have written."""
    count = len(points.setting)
    readings: dict[str, FloatArray] = {}
    steps: dict[str, float] = {}
    for quantity, true in _seen(points, plan).items():
        if quantity == "speed":
            true = true * _drift(points, conditions, drawn.rng)
        sign = -1.0 if KINDS[points.kind].generating and quantity in FROM_OUTSIDE else 1.0
        shown, steps[quantity] = _shown(quantity, true, points, kit, drawn)
        readings[quantity] = shown if sign > 0 else 0.0 - shown
    if points.load is not None:
        readings["load"] = points.load
        steps["load"] = min(decimal_step(value) for value in points.load.tolist())
    label = points.setting + 1
    return Run(
        kind=points.kind,
        source=Path(points.name),
        rows=np.arange(count) + (3 if points.uncoupled else 2),  # below the remark
        readings=readings,
        written_step=steps,
        setting=tuple(map(str, label.tolist())) if plan.label_settings else ("",) * count,
        direction=points.direction,
        note=("",) * count,
        uncoupled=points.uncoupled,
    )


def _seen(points: Points, plan: BenchPlan) -> dict[str, FloatArray]:
    """What meters are held to: with a lever, a force and an arm in place of the torque."""
    if plan.arm is None or "torque" not in points.true:
        return points.true
    torque = points.true["torque"]
    lever = {"force": torque / plan.arm, "arm": np.full(torque.shape, plan.arm)}
    return {name: true for name, true in points.true.items() if name != "torque"} | lever


def _shown(
    quantity: str, true: FloatArray, points: Points, kit: VirtualKit, drawn: DrawnKit
) -> tuple[FloatArray, float]:
    if quantity == "position":  # marks on the shaft, not a meter
        return true, DEGREE
    meter = kit.meter(quantity)
    if quantity == "time":
        return drawn.read(meter, true, step=max(WATCH, meter.stated.resolution or 0.0))
    if points.kind == "zero":  # in the range that most of the other readings were taken in
        return drawn.read(meter, true, step=drawn.usual_step(meter))
    return drawn.read(meter, true)


def _drift(points: Points, conditions: Conditions, rng: np.random.Generator) -> FloatArray:
    """What the speed did between reading the tachometer and reading the meters."""
    own = conditions.speed_drift * rng.standard_normal(points.setting.shape)
    shared = conditions.setting_drift * rng.standard_normal(int(points.setting.max()) + 1)
    return np.asarray(1.0 + own + shared[points.setting] + _serial(points, conditions, rng))


def _serial(points: Points, conditions: Conditions, rng: np.random.Generator) -> FloatArray:
    """A drift in which each reading remembers the one before."""
    if not conditions.serial_drift:  # no draw: benches without it stay as they are
        return np.zeros(points.setting.shape)
    from scipy.signal import lfilter

    memory = conditions.serial_correlation
    new = rng.standard_normal(points.setting.shape)
    new[1:] *= np.sqrt(1.0 - memory**2)  # so that every reading has the same variance
    return np.asarray(conditions.serial_drift * lfilter([1.0], [1.0, -memory], new))


def _settings(
    name: str,
    plan: BenchPlan,
    kit: VirtualKit,
    conditions: Conditions,
    runs: tuple[Run, ...],
) -> Settings:
    """What `machine.toml` and `kit.toml` of this bench would say."""
    loads = [each.load for each in plan.coast_downs if each.load is not None]
    shelf = dict.fromkeys([*plan.load_resistors, *loads])
    used = {quantity for run in runs for quantity in run.readings} & kit.meters.keys()
    instruments: dict[tuple[str, str], Instrument] = {
        (quantity, ""): meter.stated for quantity, meter in kit.meters.items() if quantity in used
    }
    return Settings(
        heat_run=HeatRunTable(rotor=_rotor(plan)),
        machine=MachineTable(
            name=name, winding_material=conditions.winding_material, magnet=conditions.magnet
        ),
        conditions=ConditionsTable(
            winding=conditions.winding, reference=Stated(conditions.reference)
        ),
        leads=LeadsTable(resistance=Stated(kit.leads)),
        shelf=ShelfTable(resistors=tuple(f"{value:g} ohm" for value in shelf)),
        instruments=instruments,
    )


def _rotor(plan: BenchPlan) -> Literal["held", "turning"]:
    rotors = {each.rotor for each in plan.heat_runs} or {"held"}
    if len(rotors) > 1:
        raise ValueError("the heat runs of one bench are all with the rotor held, or all turning")
    return rotors.pop()
