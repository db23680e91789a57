"""Fits with logs put together by hand: coast-downs, a heat run, starting torques.

The machine is that of `hand_made_fits`. A log follows a stated curve; what it was reduced to
is stated here too, so that a test knows what the report must say.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hand_made_fits import MEASURED, RPM, driven, loss_point, no_load, put_together, run

from motorfit.bench.records import Blocks
from motorfit.estimate import Estimate, NotKnown
from motorfit.estimation.coast_result import CoastDown
from motorfit.estimation.heating_result import Heating, LongerRun
from motorfit.estimation.result import Breakaway, Fit, TorqueConstant, WidthShare
from motorfit.estimation.retardation import LeftOut, Retardation
from motorfit.profile.model import Combination

INERTIA = 6e-4
KNOWN = MEASURED | {"moment_of_inertia": (INERTIA, 0.01, 0.01)}
WARM = KNOWN | {"thermal_resistance": (2.0, 0.04, 0.0), "thermal_time_constant": (1500.0, 0.05, 0)}


def coast_down(file: str, *, count: int = 100, loaded: bool = False, samples: int = 1):
    """A log and its reduction: ten readings engaged, two of lag, a spike, ten at rest."""
    time = np.linspace(0.0, 5.0, count)
    shown = np.clip(12.0 - 3.0 * (time - 0.5), 0.0, 12.0) + 0.01 * np.sin(40.0 * time)
    spike = count // 2
    shown[spike] = 300.0
    log = run("coast-down", file, {"time": time, "voltage": shown})
    if samples > 1:
        blocks = Blocks(
            count=np.full(count, samples), scatter={}, correlation={}, samples=count * samples
        )
        log = replace(log, blocks=blocks)
    engaged, standing = np.arange(10), np.arange(count - 10, count)
    lag, kept = np.array([10, 11]), np.ones(count, bool)
    kept[[*engaged, *lag, *standing, spike]] = False
    fitted = np.where(kept, 12.0 - 3.0 * (time - 0.5), np.nan)
    left_out = tuple(
        LeftOut(reason=reason, count=len(places), rows=tuple(log.rows[places].tolist()))
        for reason, places in (
            ("drive still engaged", engaged),
            ("meter lag", lag),
            ("spike", np.array([spike])),
            ("at a standstill", standing),
        )
    )
    found = Retardation(
        nodes=np.array([10.0, 6.0, 2.0]), rates=np.full(3, -3.0), covariance=np.eye(3) * 1e-4,
        degrees_of_freedom=20.0, current=None, kept=kept, left_out=left_out, time=time,
        shown=shown, fitted=fitted, residual=shown - fitted, scatter=0.0071, correlation=0.42,
        samples=int(kept.sum()) * samples, effective=31.3, curvature=0.0,
        curvature_uncertainty=0.01, misfit=0.4, ripple=(0.157,),
    )  # fmt: skip
    speed = np.array([181.0, 109.0, 36.0])
    coasted = CoastDown(
        file=file, quantity="voltage", loaded=loaded, retardation=found, problem="",
        friction=0.021, speed=speed, loss=0.0402 + 8.1e-5 * speed,
    )  # fmt: skip
    return log, coasted


def with_logs(pairs, known=KNOWN, **changes) -> Fit:
    """The usual bench with these logs more."""
    rng = np.random.default_rng(11)
    tests = (
        driven("open-circuit", "open-circuit.csv", (500, 1000, 2000), (np.inf,), rng),
        driven("load", "load.csv", (1000, 2000), (1.0, 4.7), rng),
        no_load((6.0, 12.0), rng),
    )
    fit = put_together(
        (*tests, *(log for log, _ in pairs)), known, loss=loss_point(), findings=(), **changes
    )
    return replace(
        fit,
        coast_downs=tuple(coasted for _, coasted in pairs),
        residuals=tuple(row for row in fit.residuals if row.kind != "coast-down"),
    )


def pair() -> Fit:
    """An open coast-down and one on a load."""
    return with_logs(
        [coast_down("coast-down-open.csv"), coast_down("coast-down-loaded.csv", loaded=True)]
    )


def many(count: int = 8) -> Fit:
    """So many coast-downs."""
    return with_logs([coast_down(f"coast-down-{place}.csv") for place in range(count)])


def long_log() -> Fit:
    """One coast-down of five million samples, read as 5000 means."""
    return with_logs([coast_down("coast-down.csv", count=5000, samples=1000)])


def refused() -> Fit:
    """A coast-down from which nothing could be had, beside a good one."""
    log, coasted = coast_down("coast-down-b.csv")
    nothing = replace(
        coasted, retardation=None, problem="it speeds up", speed=None, loss=None, friction=None
    )
    return with_logs([coast_down("coast-down-a.csv"), (log, nothing)])


def open_only() -> Fit:
    """One coast-down without inertia: 51.7 rad/s2 and 0.08 per second."""
    log, coasted = coast_down("coast-down.csv")
    needs = "coast-down on a known resistor, or no-load-motor"
    unit = {
        "coulomb_torque": "N.m",
        "viscous_coefficient": "N.m.s/rad",
        "moment_of_inertia": "kg.m2",
    }
    changes = {
        name: NotKnown(unit=one, standing="combined", needs=needs) for name, one in unit.items()
    }
    over = {"coulomb_torque": (51.7, 0.4, "rad/s2"), "viscous_coefficient": (0.08, 0.002, "1/s")}
    combinations = tuple(
        Combination(
            of=f"{name}/moment_of_inertia", at={}, value=value, unit=one,
            standard_uncertainty=half / 2, interval=(value - half, value + half),
            degrees_of_freedom=40.0,
        )
        for name, (value, half, one) in over.items()
    )  # fmt: skip
    fit = put_together((log,), {}, changes=changes, combinations=combinations, findings=())
    return replace(
        fit, coast_downs=(replace(coasted, speed=None, loss=None),), residuals=(), loss=None
    )


def warming(*, cooling: bool = True) -> Fit:
    """A heat run of 2 K/W and 25 minutes, rotor held, with its cooling."""
    time = np.arange(0.0, 5401.0, 150.0)
    warm = 20.0 + 35.0 * (1.0 - np.exp(-time / 1500.0))
    if cooling:
        after = np.arange(30.0, 1200.0, 60.0)
        warm = np.append(warm, 20.0 + (warm[-1] - 20.0) * np.exp(-after / 1500.0))
        time = np.append(time, 5400.0 + after)
    curve_time = np.linspace(0.0, 7500.0, 61)
    curve = 20.0 + 35.0 * (1.0 - np.exp(-curve_time / 1500.0))
    fit = with_logs([], WARM)
    known = fit.parameters
    resistance, lag = known["thermal_resistance"], known["thermal_time_constant"]
    assert isinstance(resistance, Estimate)
    heating = Heating(
        file="heat-run.csv", rotor="held", speed=None, bodies=1, evidence=np.nan,
        thermal_resistance=resistance, thermal_time_constant=lag, thermal_bodies=None,
        time=time, temperature=warm + 0.3 * np.sin(time), fitted=warm, curve_time=curve_time,
        curve=curve, curve_low=curve - 2.0, curve_high=curve + 2.0, ambient=20.0, current=4.0,
        switched_off=5400.0 if cooling else None, heated_until=5400.0,
        hottest=replace(resistance, value=54.0, unit="Cel", interval=(52.0, 56.0)),
        from_cooling=53.5 if cooling else None, reached=0.973,
        longer=LongerRun(seconds=1800.0, now=0.08, then=0.04), noise=0.3, correlation=0.2,
        samples=len(time), effective=24.0, widths={},
        assumed=("heat run: winding as warm as the air at the start, within 2 K",),
    )  # fmt: skip
    constants = replace(fit.profile.constants, heat_run_rotor="held")
    sheet = run("heat-run", "heat-run.csv", {"time": time, "current": np.full(len(time), 4.0)})
    bench = replace(fit.bench, runs=(*fit.bench.runs, sheet))
    return replace(
        fit,
        bench=bench,
        heating=heating,
        profile=replace(fit.profile, constants=constants),
        counts=dict(fit.counts) | {"heat-run.csv": len(time)},
    )


def starting() -> Fit:
    """Starting torques, and a torque constant that is 1.2 % above the EMF constant."""
    fit = with_logs([])

    def known(unit: str, value: float, half: float) -> Estimate:
        base = fit.parameters["emf_constant"]
        assert isinstance(base, Estimate)
        return replace(base, value=value, unit=unit, interval=(value - half, value + half))

    scatter = WidthShare(cause="scatter", quantity="scatter", share=1.0, more_readings_help=True)
    breakaway = Breakaway(
        mean=known("N.m", 0.052, 0.004), largest=known("N.m", 0.071, 0.006),
        cogging=known("N.m", 0.012, 0.003), scatter=0.08, positions=12, directions=2,
        widths=(scatter,),
    )  # fmt: skip
    constant = TorqueConstant(
        estimate=known("N.m/A", 0.0558, 0.0011), ratio=known("1", 0.012, 0.02), agrees=True
    )
    return replace(fit, breakaway=breakaway, torque_constant=constant)


WITH_LOGS = {
    "open coast-down and one on a load": pair,
    "eight coast-downs": many,
    "a long log": long_log,
    "a coast-down of no use": refused,
    "an open coast-down alone": open_only,
    "a heat run with cooling": warming,
    "a heat run": lambda: warming(cooling=False),
    "starting torques": starting,
}

__all__ = ["INERTIA", "RPM", "WITH_LOGS"]
