"""What truly happens at each point of a plan, before any meter looks at it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from motorfit.arrays import FloatArray, IntArray
from motorfit.bench.kinds import Kind
from motorfit.machine.brushed import (
    BrushedMachine,
    brush_saturation,
    shaft_torque,
    terminal_voltage,
)
from motorfit.machine.operating import current_on_resistor, free_running
from motorfit.machine.temperature import MAGNET_COEFFICIENT, WINDING_CONSTANT, winding_factor
from motorfit.machine.temperature import magnet_factor as magnets_at
from motorfit.simulation.heat_plans import DrivePlan
from motorfit.simulation.plan import BenchPlan, Conditions

#: Loads this many times the machine's own resistance leave its voltage alone.
HARDLY_A_LOAD = 1e5

#: Rounds of heating and solving, and the change of the winding factor that ends them. Each
#: round is nearer by the share that the resistance's warming has in the current.
_MOST_ROUNDS, _SETTLED = 200, 1e-13


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Points:
    """The points of one run; every array has shape (n,).

    Magnitudes as meters show them: the current of a driven machine is positive here.
    """

    kind: Kind
    name: str  # of the file
    true: dict[str, FloatArray]  # by quantity, in SI
    load: FloatArray | None  # nominal value of the resistor at each point [ohm]
    setting: IntArray  # points of one setting of the drive have one number
    direction: tuple[str, ...]
    uncoupled: bool = False  # the drive ran without the machine


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """The machine as it truly is on that day."""

    machine: BrushedMachine
    conditions: Conditions
    cold_winding: float  # [degC]
    resistors: Mapping[float, float]  # true value of each, by its nominal one [ohm]
    ammeter: float  # burden; zero where there is none [ohm]
    leads: float  # [ohm]
    voltmeter: float  # input resistance [ohm]; infinite where not stated

    def at(self, direction: str) -> BrushedMachine:
        """The machine turned in one direction, magnets at their temperature."""
        coefficient = MAGNET_COEFFICIENT.get(self.conditions.magnet, 0.0)
        share = float(magnets_at(self.cold_winding, self.conditions.reference, coefficient))
        half = {"a": 0.5, "b": -0.5}.get(direction, 0.0) * self.conditions.direction_effect
        constant = np.asarray(self.machine.emf_constant) * share * (1.0 + half)
        return replace(self.machine, emf_constant=float(constant))

    def winding_factor(self, temperature: FloatArray | float) -> FloatArray:
        """Winding resistance relative to the reference temperature."""
        constant = WINDING_CONSTANT[self.conditions.winding_material]
        return winding_factor(temperature, self.conditions.reference, constant)

    def winding(self, current: FloatArray, *, in_order: bool = False) -> FloatArray:
        """Winding temperature at a current; ``in_order`` of a load test's rows. [degC]"""
        rise = self.conditions.heating * current**2
        if in_order and self.conditions.warming:
            rise = rise + self._gathered(current)
        return np.asarray(self.cold_winding + rise)

    def _gathered(self, current: FloatArray) -> FloatArray:
        """What the rows before have left in the winding. [K]"""
        from scipy.signal import lfilter

        kept = np.exp(-1.0 / self.conditions.warming_rows)
        heat = self.conditions.warming * current**2
        return np.asarray(lfilter([1.0 - kept], [1.0, -kept], heat))

    def settled(
        self, solve: Callable[[FloatArray], FloatArray], *, in_order: bool = False
    ) -> FloatArray:
        """Winding factor at the temperature that the current of ``solve`` at it settles at."""
        warm = self.winding_factor(self.cold_winding)
        if not (self.conditions.heating or self.conditions.warming):
            return warm
        for _ in range(_MOST_ROUNDS):
            before, current = warm, solve(warm)
            warm = self.winding_factor(self.winding(current, in_order=in_order))
            if np.max(np.abs(warm - before), initial=0.0) < _SETTLED:
                break
        return warm


def all_points(world: World, plan: BenchPlan, rng: np.random.Generator) -> list[Points]:
    """The points of every test of the plan, in the order of the sheets."""
    found: list[Points] = []
    if plan.open_circuit_speeds:
        found.append(_driven(world, plan, rng, loaded=False))
    if plan.load_speeds and plan.load_resistors:
        found.append(_driven(world, plan, rng, loaded=True))
    for run in range(plan.runs):
        number = "" if run == 0 else f"-{run + 1}"
        if plan.supply_voltages:
            found.append(_free(world, plan, rng, number))
        if plan.brake_torques:
            found.append(_braked(world, plan, rng, number))
    if plan.resistance_currents:
        found.append(_held(world, plan, rng))
    if plan.zeros:
        found.append(_zero(plan))
    return found


def _driven(world: World, plan: BenchPlan, rng: np.random.Generator, *, loaded: bool) -> Points:
    planned = plan.load_speeds if loaded else plan.open_circuit_speeds
    resistors = plan.load_resistors if loaded else (np.inf,)
    speed, load, _ = (
        axis.ravel() for axis in np.meshgrid(planned, resistors, range(plan.repeats), indexing="ij")
    )
    setting = np.repeat(np.arange(len(planned)), len(resistors) * plan.repeats)
    speed = speed * about_one(rng, world.conditions.drive_scatter, speed.shape)
    outside = np.full(speed.shape, np.inf)
    if loaded:
        outside = np.array([world.resistors[value] for value in load]) + world.ammeter
    parts = [_driven_one_way(world, way, speed, outside, rng, loaded) for way in plan.directions]
    return _joined(
        plan,
        "load" if loaded else "open-circuit",
        "load.csv" if loaded else "open-circuit.csv",
        parts,
        setting,
        load=np.tile(load, len(parts)) if loaded else None,
    )


def _driven_one_way(
    world: World,
    way: str,
    speed: FloatArray,
    outside: FloatArray,
    rng: np.random.Generator,
    loaded: bool,
) -> dict[str, FloatArray]:
    machine = world.at(way)
    warm = world.settled(
        lambda factor: _driven_current(world, machine, speed, outside, factor), in_order=loaded
    )
    current = _driven_current(world, machine, speed, outside, warm)
    voltage = terminal_voltage(machine, speed, current, winding_factor=warm)
    voltage = voltage + world.leads * current
    friction = about_one(rng, world.conditions.friction_row, speed.shape)
    torque = -shaft_torque(rubbing(machine, friction), speed, current)
    found = {"speed": speed, "voltage": voltage, "torque": torque}
    if np.isfinite(outside).all():
        found["current"] = voltage / outside  # the voltmeter's share does not pass the ammeter
    return found | {"winding": world.winding(current, in_order=loaded)}


def _driven_current(
    world: World,
    machine: BrushedMachine,
    speed: FloatArray,
    outside: FloatArray,
    warm: FloatArray,
) -> FloatArray:
    """Current of a driven machine into what is connected and the voltmeter."""
    with np.errstate(divide="ignore"):  # nothing at all connected is an infinite resistance
        in_all = world.leads + 1.0 / (1.0 / outside + 1.0 / world.voltmeter)
    if np.all(in_all > HARDLY_A_LOAD * np.asarray(machine.armature_resistance)):
        return -terminal_voltage(machine, speed, 0.0) / in_all
    return current_on_resistor(machine, speed, in_all, winding_factor=warm)


def _free(world: World, plan: BenchPlan, rng: np.random.Generator, number: str) -> Points:
    supply = np.repeat(plan.supply_voltages, plan.repeats)
    setting = np.repeat(np.arange(len(plan.supply_voltages)), plan.repeats)
    supply = supply * about_one(rng, world.conditions.supply_scatter, supply.shape)
    run = about_one(rng, world.conditions.friction_run)
    parts = [
        _as_motor(world, way, supply, np.zeros(supply.shape), run, rng) for way in plan.directions
    ]
    return _joined(plan, "no-load-motor", f"no-load-motor{number}.csv", parts, setting)


def _braked(world: World, plan: BenchPlan, rng: np.random.Generator, number: str) -> Points:
    brake = np.repeat(plan.brake_torques, plan.repeats)
    setting = np.repeat(np.arange(len(plan.brake_torques)), plan.repeats)
    supply = plan.brake_voltage * about_one(rng, world.conditions.supply_scatter, brake.shape)
    run = about_one(rng, world.conditions.friction_run)
    parts = [_as_motor(world, way, supply, brake, run, rng) for way in plan.directions]
    for part in parts:
        part["torque"] = brake
    return _joined(plan, "brake", f"brake{number}.csv", parts, setting)


def _as_motor(
    world: World,
    way: str,
    supply: FloatArray,
    brake: FloatArray,
    run: FloatArray,
    rng: np.random.Generator,
) -> dict[str, FloatArray]:
    """A motor on a supply that holds the voltage at the machine's terminals."""
    friction = run * about_one(rng, world.conditions.friction_row, supply.shape)
    machine = rubbing(world.at(way), friction)

    def running(warm: FloatArray) -> tuple[FloatArray, FloatArray]:
        return free_running(machine, supply, brake_torque=brake, winding_factor=warm)

    speed, current = running(world.settled(lambda warm: running(warm)[1]))
    voltage = supply + world.leads * current
    winding = world.winding(current)
    found = {"speed": speed, "voltage": voltage, "current": current, "winding": winding}
    if not np.isfinite(speed).all():
        raise ValueError(
            "the motor does not start at every planned voltage: "
            f"{float(supply[~np.isfinite(speed)][0]):.3g} V is too little for its friction and load"
        )
    return found


def _held(world: World, plan: BenchPlan, rng: np.random.Generator) -> Points:
    turn = np.arange(plan.positions) * 2 * np.pi / plan.positions
    position, current, _ = (
        axis.ravel()
        for axis in np.meshgrid(turn, plan.resistance_currents, range(plan.repeats), indexing="ij")
    )
    each = len(plan.resistance_currents) * plan.repeats
    uneven = np.repeat(about_one(rng, world.conditions.position_effect, turn.shape), each)
    drop = world.conditions.standing_brush_drop
    drop = float(np.asarray(world.machine.brush_drop)) if drop is None else drop
    warm = world.winding_factor(world.winding(current))
    resistance = np.asarray(world.machine.armature_resistance) * warm * uneven + world.leads
    saturation = brush_saturation(current, world.machine.brush_current_scale)
    true = {"voltage": resistance * current + drop * saturation, "current": current}
    if plan.positions > 1:
        true["position"] = position
    setting = np.repeat(np.arange(plan.positions), each)
    true["winding"] = world.winding(current)
    return Points(
        kind="resistance",
        name="resistance.csv",
        true=_wanted(plan, "resistance", true),
        load=None,
        setting=setting,
        direction=("",) * len(current),
    )


def _zero(plan: BenchPlan) -> Points:
    nothing = np.zeros(plan.zero_repeats)
    return Points(
        kind="zero",
        name="zero.csv",
        true=dict.fromkeys(plan.zeros, nothing),
        load=None,
        setting=np.zeros(plan.zero_repeats, np.int64),
        direction=("",) * plan.zero_repeats,
    )


def _joined(
    plan: BenchPlan,
    kind: Kind,
    name: str,
    parts: list[dict[str, FloatArray]],
    setting: IntArray,
    load: FloatArray | None = None,
) -> Points:
    """One run from its directions, one below the other."""
    true = {quantity: np.concatenate([part[quantity] for part in parts]) for quantity in parts[0]}
    shift = setting.max(initial=0) + 1
    return Points(
        kind=kind,
        name=name,
        true=_wanted(plan, kind, true),
        load=load if plan.load_columns != "current" else None,
        setting=np.concatenate([setting + way * shift for way in range(len(parts))]),
        direction=tuple(way for way in plan.directions for _ in setting),
    )


def _wanted(plan: BenchPlan, kind: Kind, true: dict[str, FloatArray]) -> dict[str, FloatArray]:
    """The columns that the plan records."""
    if kind in ("open-circuit", "load") and plan.drive is not None:
        taken = drive_power(plan.drive, true["speed"], true["torque"])
        true = true | {"drive_power": taken}
    left_out = set() if plan.winding else {"winding"}
    if kind in ("open-circuit", "load") and not plan.driven_torque:
        left_out.add("torque")
    if kind == "load" and plan.load_columns == "load":
        left_out.add("current")
    return {quantity: values for quantity, values in true.items() if quantity not in left_out}


def drive_power(drive: DrivePlan, speed: FloatArray, torque: FloatArray) -> FloatArray:
    """What a drive motor takes to turn something. [W]"""
    own = drive.standing_power + (drive.torque + drive.viscous * speed) * speed
    return np.asarray(own + torque * speed / drive.efficiency)


def rubbing(machine: BrushedMachine, friction: FloatArray) -> BrushedMachine:
    """The machine with all of its loss torque multiplied."""
    return replace(
        machine,
        coulomb_torque=np.asarray(machine.coulomb_torque) * friction,
        viscous_coefficient=np.asarray(machine.viscous_coefficient) * friction,
        windage_coefficient=np.asarray(machine.windage_coefficient) * friction,
    )


def about_one(rng: np.random.Generator, scatter: float, shape: tuple[int, ...] = ()) -> FloatArray:
    """Factors around one; never negative, whatever the scatter."""
    return np.maximum(1.0 + scatter * rng.standard_normal(shape), 0.05)
