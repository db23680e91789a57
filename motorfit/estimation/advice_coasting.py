"""Coast-downs that a bench might have, imagined, to see what they would bring."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from motorfit.arrays import FloatArray
from motorfit.bench.records import Bench, Rates, Run
from motorfit.machine.brushed import BrushedMachine
from motorfit.machine.coasting import retardation_coefficients
from motorfit.unit_tables import RPM

#: Where the rates of an imagined log are, as shares of its highest voltage, and how well they
#: are known, relative: a plain meter that logs a few times a second.
_NODES, _KNOWN = np.array([0.9, 0.6, 0.3]), 0.01

#: Resistor that brakes well and does not hide the loss, over the winding's; one this many
#: times larger or smaller does too.
_LOADS, _NEAR = 4.0, 4.0

#: Mechanical time constant J R/k^2 that a machine of which nothing is known may have. [s]
_USUAL_LAG = 0.05


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Coasting:
    """Coast-downs to take, in words, and what they would read."""

    does: str
    minutes: float
    runs: tuple[Run, ...]


def further_coast_downs(
    bench: Bench, machine: BrushedMachine, inertia: float, fastest: float
) -> Iterator[Coasting]:
    """Coast-downs worth thinking of.

    Parameters
    ----------
    bench : Bench
        With its logs reduced to rates.
    machine : BrushedMachine
        As fitted, with some loss.
    inertia : float
        As fitted; zero where nothing tells it. [kg m2]
    fastest : float
        Speed to let go at. [rad/s]

    Yields
    ------
    Coasting
        Where there are none an open pair and a loaded pair, where one kind lacks a pair of
        that, where runs stand alone a second one of each kind.
    """
    logs = [
        run
        for run in bench.of_kind("coast-down")
        if run.rates is not None and run.rates.quantity != "inertia"
    ]
    by_kind: dict[str, list[Run]] = {}
    for run in logs:
        by_kind.setdefault(_kind(run), []).append(run)
    alone = [runs[0] for runs in by_kind.values() if len(runs) == 1]
    if alone and len(by_kind) > 1:
        again = tuple(replace(run, source=Path(f"again-{run.source.name}")) for run in alone)
        each = " of each kind" if len(alone) == len(by_kind) else f" {_kind(alone[0])}"
        yield Coasting(
            does=f"a second coast-down{each}", minutes=2.0 + 2.0 * len(alone), runs=again
        )
    tells_inertia = len(by_kind) > 1 or (inertia > 0 and bool(logs))
    resistance, constant = _number(machine.armature_resistance), _number(machine.emf_constant)
    if tells_inertia or not (resistance > 0 and constant > 0):
        return
    inertia = inertia or _USUAL_LAG * constant**2 / resistance
    load = _resistor(bench, _LOADS * resistance)
    loaded = [_imagined(machine, inertia, load, fastest, number) for number in (1, 2)]
    at = f"from {fastest / RPM:.0f} rpm"
    if logs:
        does = f"two coast-downs {at} on about {load:g} ohm"
        yield Coasting(does=does, minutes=6.0, runs=tuple(loaded))
        return
    free = [_imagined(machine, inertia, np.inf, fastest, number) for number in (1, 2)]
    does = f"coast-downs {at}, two open and two on about {load:g} ohm"
    yield Coasting(does=does, minutes=10.0, runs=(*free, *loaded))


def _resistor(bench: Bench, wished: float) -> float:
    """One that was used already, where it is not far from what would serve; else a round one."""
    used = [run.get("load") for run in bench.of_kind("load")]
    known = np.concatenate(used) if used else np.empty(0)
    known = known[np.isfinite(known) & (known > 0)]
    away = np.abs(np.log(known / wished))
    if len(known) and float(away.min()) < np.log(_NEAR):
        return float(f"{known[int(np.argmin(away))]:.2g}")
    return float(f"{wished:.1g}")


def _number(value: ArrayLike) -> float:
    return float(np.asarray(value, float))


def _kind(run: Run) -> str:
    if run.added_inertia is not None:
        return "with the disc"
    loaded = "load" in run.readings or "current" in run.readings
    return "on the load" if loaded else "open"


def _imagined(
    machine: BrushedMachine, inertia: float, load: float, fastest: float, number: int
) -> Run:
    """What a voltmeter would log, reduced to its rates."""
    resistance, constant = _number(machine.armature_resistance), _number(machine.emf_constant)
    share = 1.0 / (1.0 + resistance / load)
    drop = _number(machine.brush_drop) * share if np.isfinite(load) else 0.0
    d0, d1, d2 = (float(d) for d in retardation_coefficients(machine, inertia, load=load))
    voltage: FloatArray = _NODES * (constant * share * fastest - drop)
    speed = (voltage + drop) / (constant * share)
    rates = -constant * share * (d0 + d1 * speed + d2 * speed**2)
    readings: dict[str, FloatArray] = {"voltage": voltage}
    if np.isfinite(load):
        readings["load"] = np.full(len(voltage), load)
    empty = ("",) * len(voltage)
    return Run(
        kind="coast-down",
        source=Path(f"coast-down-imagined-{load:g}-{number}.csv"),
        rows=np.arange(2, 2 + len(voltage)),
        readings=readings,
        written_step={},
        setting=empty,
        direction=empty,
        note=empty,
        rates=Rates(
            quantity="voltage",
            value=rates,
            own=(_KNOWN * rates) ** 2,
            shared=np.zeros((len(rates), 1)),
            span=(float(voltage.min()), float(voltage.max())),
            largest={name: float(np.max(values)) for name, values in readings.items()},
        ),
    )
