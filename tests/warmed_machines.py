"""Heat runs of one invented machine, integrated step by step: no closed form is used here."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.integrate import solve_ivp
from virtual_benches import TRUE

from motorfit.bench.records import Bench, Run
from motorfit.bench.settings import HeatRunTable
from motorfit.simulation.bench import simulate
from motorfit.simulation.plan import BenchPlan

#: What a bench with a heat run needs besides: resistance at three currents, rotor held.
PLAN = BenchPlan(resistance_currents=(1.0, 3.0, 6.0), positions=3)

THERMAL_RESISTANCE, TIME_CONSTANT = 2.0, 900.0  # [K/W], [s]

#: Winding to frame, time constant of the winding, frame to air, time constant of the frame.
TWO = (0.6, 50.0, 1.4, 1200.0)


@dataclass(frozen=True, kw_only=True)
class Warming:
    """One heat run; the defaults are a whole one, read every minute by hand."""

    current: float = 5.0
    end: float = 4200.0  # of heating [s]
    step: float = 60.0  # between readings [s]
    cooling: float = 0.0  # how long it is read after switching off [s]
    small_current: float = 1.5  # of those readings
    two: tuple[float, float, float, float] | None = None
    speed: float | None = None  # of a turning rotor [rad/s]
    scatter: float = 0.002  # of voltage and of current, relative
    correlation_time: float = 0.0  # of the scatter [s]
    gains: tuple[float, float] = (0.0, 0.0)  # voltage and current
    air: float = 22.0
    drift: float = 0.0  # of the air by the end [K]
    start: float = 0.0  # of the machine over the air [K]


def temperatures(plan: Warming, time: np.ndarray, resistance: float) -> np.ndarray:
    """Of the winding at each time, by an integrator."""
    inner, lag_w, outer, lag_f = plan.two or (0.0, 1.0, THERMAL_RESISTANCE, TIME_CONSTANT)
    whole = float(time[-1])

    def slopes(t: float, rise: np.ndarray, current: float) -> list[float]:
        air = plan.air + plan.drift * t / whole
        copper = current**2 * resistance * (234.5 + air + rise[0]) / 259.5
        power = copper + TRUE.brush_drop * current
        if plan.speed is not None and current == plan.current:
            loss = TRUE.coulomb_torque + TRUE.viscous_coefficient * plan.speed
            power += loss * plan.speed
        if plan.two is None:
            return [(outer * power - rise[0]) / lag_f]
        through = (rise[0] - rise[1]) / inner
        return [(inner * power - (rise[0] - rise[1])) / lag_w, (outer * through - rise[1]) / lag_f]

    rise, found = np.full(1 if plan.two is None else 2, plan.start), np.empty(len(time))
    accuracy = {"rtol": 1e-8, "atol": 1e-8}
    for current, here, begin in (
        (plan.current, time <= plan.end, 0.0),
        (plan.small_current, time > plan.end, plan.end),
    ):
        if here.any():
            end = plan.end if begin == 0.0 else whole
            steps = solve_ivp(
                slopes, (begin, end), rise, t_eval=time[here], args=(current,), **accuracy
            )
            found[here], rise = steps.y[0], steps.y[:, -1]
    return plan.air + plan.drift * time / whole + found


def _scatter(plan: Warming, time: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """New at each reading, or forgotten within the correlation time."""
    noise = rng.normal(size=len(time))
    if plan.correlation_time:
        kept = np.exp(-np.diff(time) / plan.correlation_time)
        for place, share in enumerate(kept, start=1):
            noise[place] = share * noise[place - 1] + np.sqrt(1 - share**2) * noise[place]
    return 1.0 + plan.scatter * noise


def warmed(bench: Bench, plan: Warming, seed: int = 1) -> Bench:
    """A bench with a heat run of `TRUE` more."""
    rng = np.random.default_rng(seed)
    time = np.arange(0.0, plan.end + 0.5 * plan.step, plan.step)
    if plan.cooling:
        time = np.append(time, time[-1] + np.arange(10.0, plan.cooling, 20.0))
    resistance = float(TRUE.armature_resistance) * (1.0 + 0.01 * rng.normal())
    winding = temperatures(plan, time, resistance)
    current = np.where(time <= plan.end, plan.current, plan.small_current)
    voltage = current * resistance * (234.5 + winding) / 259.5 + float(TRUE.brush_drop)
    readings = {"time": time}
    if plan.speed is not None:
        speed = np.where(time <= plan.end, plan.speed, 0.0)
        voltage = voltage + float(TRUE.emf_constant) * speed
        readings["speed"] = speed
    shown = voltage * (1.0 + plan.gains[0]) * _scatter(plan, time, rng)
    readings["voltage"] = np.round(shown, 3)
    shown = current * (1.0 + plan.gains[1]) * _scatter(plan, time, rng)
    readings["current"] = np.round(shown, 3)
    run = Run(
        kind="heat-run",
        source=bench.source / "heat-run.csv",
        rows=np.arange(2, 2 + len(time)),
        readings=readings,
        written_step={"time": 1.0, "voltage": 0.001, "current": 0.001, "speed": 0.1},
        setting=("",) * len(time),
        direction=("",) * len(time),
        note=("",) * len(time),
    )
    rotor = "held" if plan.speed is None else "turning"
    settings = bench.settings.model_copy(update={"heat_run": HeatRunTable(rotor=rotor)})
    return replace(bench, runs=(*bench.runs, run), settings=settings)


def bench(seed: int = 1, plan: BenchPlan = PLAN) -> Bench:
    """The other tests of that machine."""
    return simulate(TRUE, plan=plan, seed=seed)
