"""What is done on a virtual bench, and under which conditions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from motorfit.machine.brushed import BrushedMachine
from motorfit.machine.temperature import WindingMaterial
from motorfit.quantities import Stated
from motorfit.simulation.heat_plans import BreakawayPlan, DrivePlan, HeatRunPlan
from motorfit.simulation.log_plans import CoastDownPlan


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchPlan:
    """Which readings are taken; a test without points is left out. Everything in SI.

    Parameters
    ----------
    open_circuit_speeds : tuple of float
        Driven, nothing connected. [rad/s]
    load_speeds, load_resistors : tuple of float
        Driven, each resistor at each speed. [rad/s], [ohm]
    load_columns : {"current and load", "current", "load"}
        What the load sheet records.
    supply_voltages : tuple of float
        Running free as a motor. [V]
    brake_torques : tuple of float
        Running against a brake. [N m]
    brake_voltage : float
        The supply of the brake test. [V]
    resistance_currents : tuple of float
        Rotor held, each current at each position. [A]
    positions : int
        Rotor positions of the resistance test, evenly spread over a turn.
    zeros : tuple of str
        Quantities whose meters are read with nothing to show.
    zero_repeats : int
        Rows of the zero test.
    repeats : int
        How often each reading is taken.
    runs : int
        How often each test with friction in it (no-load, brake) is run, a file each.
    directions : tuple of {"", "a", "b"}
        Directions of rotation, as the sheets name them.
    label_settings : bool
        Whether the sheets say which readings shared a setting of the drive.
    driven_torque, winding : bool
        Whether driven tests have a torque column, and every table a winding column.
    coast_downs : tuple of CoastDownPlan
        Runs in which the machine is let go, a file each.
    heat_runs : tuple of HeatRunPlan
        A file each.
    breakaway : BreakawayPlan, optional
        Torques at which it starts to turn.
    arm : float, optional
        Torques are read as forces on a lever of this length, in place of a torque sensor.
        [m]
    drive : DrivePlan, optional
        The drive's input power is read in the driven tests.
    """

    open_circuit_speeds: tuple[float, ...] = ()
    load_speeds: tuple[float, ...] = ()
    load_resistors: tuple[float, ...] = ()
    load_columns: Literal["current and load", "current", "load"] = "current and load"
    supply_voltages: tuple[float, ...] = ()
    brake_torques: tuple[float, ...] = ()
    brake_voltage: float = 24.0
    resistance_currents: tuple[float, ...] = ()
    positions: int = 1
    zeros: tuple[str, ...] = ()
    zero_repeats: int = 1
    repeats: int = 1
    runs: int = 1
    directions: tuple[Literal["", "a", "b"], ...] = ("",)
    label_settings: bool = False
    driven_torque: bool = False
    winding: bool = False
    coast_downs: tuple[CoastDownPlan, ...] = ()
    heat_runs: tuple[HeatRunPlan, ...] = ()
    breakaway: BreakawayPlan | None = None
    arm: float | None = None
    drive: DrivePlan | None = None


#: A room, guessed rather than measured.
ROOM = Stated(22.0, 5.0, "22 degC +- 5 K")


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """What the machine and the drive do that no meter is to blame for.

    Parameters
    ----------
    winding : Stated
        Winding temperature as the bench states it; the true one is drawn from its
        half-width, and the magnets have it too. [degC]
    reference : float
        Temperature at which the machine's parameters hold. [degC]
    winding_material, magnet : str
        As in ``machine.toml``.
    heating : float
        Rise of the winding with the square of the current, settled at each reading. [K/A2]
    warming, warming_rows : float
        Rise that the winding of a load test tends to with the square of the current, row
        after row [K/A2], and the rows it takes to come within 37 % of it.
    friction_row, friction_run : float
        Standard deviation of the loss torque, relative, from row to row and run to run. Each
        coast-down is one run.
    drive_scatter : float
        How far the drive is off the planned speed, relative standard deviation; the
        readings are of the speed it had.
    speed_drift, setting_drift : float
        Relative standard deviation of the speed between the reading of the tachometer and
        that of the meters: new at each reading, and shared by the readings of one setting.
    serial_drift, serial_correlation : float
        The same for a drift that hangs together with that of the reading before, in the
        order of the sheet: an autoregressive process of first order, its standard
        deviation and its correlation.
    supply_scatter : float
        How far the supply is off the planned voltage, relative standard deviation.
    position_effect : float
        Relative standard deviation of the resistance from one rotor position to another.
    standing_brush_drop : float, optional
        Brush drop with the rotor held; that of the running machine where left out. [V]
    direction_effect : float
        How much larger the EMF constant is in direction a than in b, relative.
    """

    winding: Stated = ROOM
    reference: float = 25.0
    winding_material: WindingMaterial = "copper"
    magnet: Literal["ferrite", "neodymium", "unknown"] = "unknown"
    heating: float = 0.0
    warming: float = 0.0
    warming_rows: float = 10.0
    friction_row: float = 0.03
    friction_run: float = 0.03
    drive_scatter: float = 0.01
    speed_drift: float = 0.0
    setting_drift: float = 0.0
    serial_drift: float = 0.0
    serial_correlation: float = 0.7
    supply_scatter: float = 0.005
    position_effect: float = 0.02
    standing_brush_drop: float | None = None
    direction_effect: float = 0.0


def usual_plan(machine: BrushedMachine, *, top_voltage: float = 30.0) -> BenchPlan:
    """Two hours at a bench with a drill, three resistors and a supply.

    Parameters
    ----------
    machine : BrushedMachine
        The machine, for which the points are chosen.
    top_voltage : float
        The highest voltage with nothing connected. [V]

    Returns
    -------
    BenchPlan
    """
    top = top_voltage / float(np.asarray(machine.emf_constant))
    resistance = float(np.asarray(machine.armature_resistance))
    speeds = np.linspace(0.2, 1.0, 8) * top
    resistors = [float(f"{factor * resistance:.2g}") for factor in (3.0, 6.0, 12.0)]
    return BenchPlan(
        open_circuit_speeds=tuple(speeds.tolist()),
        load_speeds=tuple((np.linspace(0.25, 0.9, 4) * top).tolist()),
        load_resistors=tuple(resistors),
        supply_voltages=tuple((np.array([0.25, 0.5, 0.8]) * top_voltage).round(1).tolist()),
        resistance_currents=(1.0, 2.0, 3.0),
        positions=4,
        zeros=("voltage", "current"),
    )
