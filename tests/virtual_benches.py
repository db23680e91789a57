"""Virtual benches of one invented machine, for the tests of the fit."""

from __future__ import annotations

import numpy as np

from motorfit.bench.records import Bench
from motorfit.machine.brushed import BrushedMachine
from motorfit.simulation.bench import simulate
from motorfit.simulation.plan import BenchPlan

#: Parameters are those of the simulated machine at 25 degC: what a fit must find again.
TRUE = BrushedMachine(
    emf_constant=0.08,
    armature_resistance=0.8,
    brush_drop=0.8,
    coulomb_torque=0.03,
    viscous_coefficient=5e-5,
)
SPEEDS = (60.0, 110.0, 160.0, 210.0)  # [rad/s]
LATHE = 150.0  # the one speed of an invented lathe [rad/s]

PLANS = {
    "whole": BenchPlan(
        open_circuit_speeds=SPEEDS,
        load_speeds=SPEEDS,
        load_resistors=(2.2, 10.0),
        supply_voltages=(8.0, 16.0, 24.0),
        resistance_currents=(1.0, 2.0),
        positions=3,
    ),
    "one resistor, no open circuit": BenchPlan(
        load_speeds=tuple(np.linspace(60, 210, 8)), load_resistors=(4.7,)
    ),
    "one resistor": BenchPlan(
        open_circuit_speeds=SPEEDS, load_speeds=SPEEDS, load_resistors=(4.7,)
    ),
    "one point": BenchPlan(
        open_circuit_speeds=(LATHE,), load_speeds=(LATHE,), load_resistors=(4.7,), repeats=3
    ),
    "lathe": BenchPlan(
        open_circuit_speeds=(LATHE,),
        load_speeds=(LATHE,),
        load_resistors=(2.2, 4.7, 10.0, 22.0),
        supply_voltages=(12.0,),
    ),
    "lathe, no open circuit": BenchPlan(
        load_speeds=(LATHE,), load_resistors=(2.2, 4.7, 10.0, 22.0)
    ),
    "open circuit only": BenchPlan(open_circuit_speeds=SPEEDS),
    "one reading": BenchPlan(open_circuit_speeds=(LATHE,)),
    "no-load only": BenchPlan(supply_voltages=(12.0, 20.0)),
    "resistance only": BenchPlan(resistance_currents=(1.0, 2.0), positions=3),
    "one resistance reading": BenchPlan(resistance_currents=(2.0,)),
    "load by value": BenchPlan(
        open_circuit_speeds=SPEEDS,
        load_speeds=SPEEDS,
        load_resistors=(2.2, 10.0),
        load_columns="load",
    ),
    "both directions": BenchPlan(
        open_circuit_speeds=SPEEDS,
        load_speeds=SPEEDS,
        load_resistors=(2.2, 10.0),
        supply_voltages=(12.0, 20.0),
        directions=("a", "b"),
    ),
    "brake": BenchPlan(
        open_circuit_speeds=SPEEDS,
        supply_voltages=(12.0, 24.0),
        brake_torques=(0.05, 0.1, 0.2),
    ),
    "settings": BenchPlan(
        open_circuit_speeds=SPEEDS,
        load_speeds=SPEEDS,
        load_resistors=(2.2, 10.0),
        repeats=3,
        label_settings=True,
    ),
}


def virtual(plan: str, seed: int = 3) -> Bench:
    """The bench of one of `PLANS`, readings of `TRUE`."""
    return simulate(TRUE, plan=PLANS[plan], seed=seed)
