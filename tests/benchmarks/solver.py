"""How long the fit of 60 rows takes, beside one plain curve fit of 60 rows.

python tests/benchmarks/solver.py

The yardstick is lmfit with numerical derivatives and five parameters on as many rows of
the same readings, all errors in the voltage: what one would write in an afternoon. The best
of several runs, both sides in turn.
"""

import argparse
import time
from collections.abc import Callable
from dataclasses import replace

import lmfit
import numpy as np

from motorfit.bench.records import Bench
from motorfit.estimation.fit import fit
from motorfit.estimation.joint import fit_jointly
from motorfit.estimation.problem import pose
from motorfit.machine.brushed import BrushedMachine, loss_torque, shaft_torque, terminal_voltage
from motorfit.simulation.bench import simulate
from motorfit.simulation.plan import usual_plan

MACHINE = BrushedMachine(
    emf_constant=0.08,
    armature_resistance=0.8,
    brush_drop=0.8,
    coulomb_torque=0.03,
    viscous_coefficient=5e-5,
)
NAMES = (
    "emf_constant",
    "armature_resistance",
    "brush_drop",
    "coulomb_torque",
    "viscous_coefficient",
)
ALLOWED = 0.05  # [s]


def sixty_rows() -> Bench:
    plan = usual_plan(MACHINE)
    speeds = tuple(np.linspace(0.2, 0.9, 12) * max(plan.open_circuit_speeds))
    bench = simulate(MACHINE, plan=replace(plan, load_speeds=speeds), seed=60)
    assert sum(len(run) for run in bench.runs) == 60
    return bench


def plain_fit(bench: Bench) -> None:
    """Least squares of the two equations with lmfit's own numerical derivatives."""
    values = pose(bench).conditions.nominal.values
    volts, speed, current = values[:, 0], values[:, 1], values[:, 2]
    free = np.array([kind == "no-load-motor" for kind in pose(bench).assembled.rows.kind])

    def residual(parameters: lmfit.Parameters) -> np.ndarray:
        machine = BrushedMachine(**parameters.valuesdict())
        voltage = volts - terminal_voltage(machine, speed, current)
        torque = shaft_torque(machine, speed[free], current[free])
        return np.concatenate([voltage, torque / loss_torque(MACHINE, speed[free])])

    parameters = lmfit.Parameters()
    for name in NAMES:
        parameters.add(name, value=1.5 * float(getattr(MACHINE, name)), min=0.0)
    lmfit.minimize(residual, parameters, method="least_squares")


def best_of(runs: int, *calls: Callable[[], object]) -> list[float]:
    times: list[list[float]] = [[] for _ in calls]
    for _ in range(runs + 1):
        for call, into in zip(calls, times, strict=True):
            began = time.perf_counter()
            call()
            into.append(time.perf_counter() - began)
    return [min(each[1:]) for each in times]  # the first warms up


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=20)
    bench = sixty_rows()
    solver, whole, plain = best_of(
        parser.parse_args().runs,
        lambda: fit_jointly(pose(bench)),
        lambda: fit(bench),
        lambda: plain_fit(bench),
    )
    print(f"one plain fit of 60 rows by lmfit: {1000 * plain:.1f} ms")
    print(f"joint solver, 60 rows: {1000 * solver:.1f} ms, ratio {solver / plain:.2f}")
    print(f"mf.fit, 60 rows: {1000 * whole:.1f} ms, ratio {whole / plain:.2f}")
    print(f"allowed for the solver: {1000 * ALLOWED:.0f} ms")
    return 0 if solver <= ALLOWED else 1


if __name__ == "__main__":
    raise SystemExit(main())
