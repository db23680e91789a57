"""What further readings would bring, by the information they would add."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from motorfit.arrays import BoolArray, FloatArray
from motorfit.bench.default_instruments import with_defaults
from motorfit.bench.kinds import Kind
from motorfit.bench.records import Bench, Run
from motorfit.errors import FitError
from motorfit.estimation.advice_coasting import further_coast_downs
from motorfit.estimation.joint import Joint, open_soft, settled_or_told, stack
from motorfit.estimation.physics import T0, B, C, J, K, R
from motorfit.estimation.problem import Problem, pose
from motorfit.estimation.result import Advice
from motorfit.estimation.rows import CURRENT, SPEED, VOLTAGE
from motorfit.estimation.scatter import project
from motorfit.estimation.solver import solution_at
from motorfit.estimation.standing import determined
from motorfit.instruments import range_of
from motorfit.machine.brushed import BrushedMachine
from motorfit.machine.operating import current_on_resistor, free_running
from motorfit.unit_tables import RPM

#: Measuring something that was not known at all counts like narrowing it this much: what
#: a generator gives before what it takes to turn it.
_UNLOCKED = {"volts": 30.0, "resistance": 20.0, "loss": 12.0}

#: Advice that narrows everything together by less is not worth a reading.
_WORTH = 1.15

#: What else it would measure, of readings that are worth taking anyway.
_BESIDES = 1.5

#: A load of more than this is a voltmeter. [ohm]
_OPEN_CIRCUIT = 1e5

#: No-load current of a machine of which nothing else is known, for imagining. [A]
_SMALL_CURRENT = 0.2

_HEADLINE = {
    "volts": "volts per 1000 rpm",
    "resistance": "winding resistance",
    "loss": "turning loss",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Candidate:
    does: str
    minutes: float
    runs: tuple[Run, ...]
    tells: frozenset[str] = frozenset({"volts", "resistance", "loss"})
    besides: str = ""  # what else it would measure that nothing here tells


def advise(bench: Bench, joint: Joint) -> tuple[Advice, ...]:
    """What would help most, best first.

    Parameters
    ----------
    bench : Bench
        The readings so far.
    joint : Joint
        Solved.

    Returns
    -------
    tuple of Advice
        Empty where nothing on offer is worth its time.

    Notes
    -----
    The readings are imagined where the fitted machine puts them, joined to the bench,
    and the expected covariance is compared: the same equations as the fit's.
    """
    bench = replace(bench, instruments=with_defaults(bench.instruments))
    solved = replace(joint.problem, start=joint.solution.theta)
    now = _headline(solved, joint.covariance, joint.standing.measured)
    ranked = []
    for candidate in _candidates(bench, joint):
        try:
            with settled_or_told():
                then = _after(bench, joint, candidate)
        except FitError:
            continue  # a bench too odd to imagine more of
        then = {name: then[name] if name in candidate.tells else now[name] for name in now}
        worth = float(np.sum(np.log([_worth(name, now[name], then[name]) for name in now])))
        if np.isfinite(worth) and worth > np.log(_WORTH):
            worth += np.log(_BESIDES) if candidate.besides else 0.0
            advice = Advice(
                does=candidate.does,
                test=candidate.runs[0].kind,
                minutes=candidate.minutes,
                brings=_brings(now, then, loss_seen=_loss_seen(joint), besides=candidate.besides),
            )
            ranked.append((worth, advice))
    ranked.sort(key=lambda item: -item[0])
    return tuple(advice for _, advice in ranked)


def _worth(name: str, before: float, after: float) -> float:
    if np.isinf(before):
        return 1.0 if np.isinf(after) else _UNLOCKED[name]
    return max(1.0, before / after) if after > 0 else 1.0


def _loss_seen(joint: Joint) -> bool:
    """Whether any reading tells of the loss."""
    return bool(joint.problem.conditions.present[:, 1].any())


def _brings(now: dict[str, float], then: dict[str, float], *, loss_seen: bool, besides: str) -> str:
    unlocked = [name for name in now if np.isinf(now[name]) and np.isfinite(then[name])]
    if unlocked:
        words = _HEADLINE | ({"loss": "turning loss at every speed"} if loss_seen else {})
        told = [*(words[name] for name in unlocked), *filter(None, [besides])]
        return "measures " + " and ".join(told)
    gains = {name: then[name] / now[name] for name in now if np.isfinite(now[name])}
    best = min(gains, key=lambda name: gains[name])
    return f"narrows the interval of {_HEADLINE[best]} to {100 * gains[best]:.0f} % of now"


def _headline(
    problem: Problem, covariance: FloatArray, measured: tuple[bool, ...]
) -> dict[str, float]:
    """Relative standard uncertainties of what the first screen shows, infinite if unknown."""
    free, full = problem.free, problem.conditions.full(problem.start)

    def of(weights: dict[int, float]) -> float:
        if any(index not in free or not measured[free.index(index)] for index in weights):
            return np.inf
        vector = np.array([weights.get(index, 0.0) for index in free])
        value = sum(factor * full[index] for index, factor in weights.items())
        return float((vector @ covariance @ vector) ** 0.5 / max(abs(value), 1e-12))

    values = problem.conditions.nominal.values
    braked = problem.conditions.present[:, 1]
    speed = float(np.mean(values[braked, SPEED])) if braked.any() else 1.0
    loss = {T0: 1.0, B: speed} | ({C: speed**2} if C in free else {})
    return {"volts": of({K: 1.0}), "resistance": of({R: 1.0}), "loss": of(loss)}


def _after(bench: Bench, joint: Joint, candidate: _Candidate) -> dict[str, float]:
    """The headline's uncertainties with the candidate's readings joined to the bench."""
    longer = replace(bench, runs=(*bench.runs, *candidate.runs))
    problem = pose(longer, terms=joint.problem.terms)
    known = dict(zip(joint.problem.free, joint.machine, strict=True))
    theta = problem.start.copy()
    for place, index in enumerate(problem.free):
        theta[place] = known.get(index, theta[place])
    sizes = dict(zip(joint.problem.assembled.components, joint.scales.log_variance, strict=True))
    log_variance = np.array([sizes.get(name, 0.0) for name in problem.assembled.components])
    solution = solution_at(problem.conditions, theta, np.exp(log_variance))
    standing = determined(problem.conditions, solution, np.exp(log_variance), problem.size)
    stacked = stack(problem, solution, open_soft(problem, standing.open))
    covariance = project(stacked, log_variance).covariance
    return _headline(replace(problem, start=theta), covariance, standing.measured)


def _candidates(bench: Bench, joint: Joint) -> Iterable[_Candidate]:
    values = joint.problem.conditions.nominal.values
    running = values[~joint.problem.assembled.rows.standing]
    machine = joint.problem.conditions.machine(joint.problem.conditions.full(joint.solution.theta))
    if not len(running) or not np.any(running[:, SPEED] > 0):
        return
    fastest = float(np.max(running[:, SPEED]))
    yield from _driven(machine, running, fastest)
    yield from _by_itself(bench, machine, running, fastest)
    yield from _coasting(bench, joint, _with_some_loss(machine, running), fastest)
    if "current" in _read_quantities(bench) and not _has_zero(bench):
        nothing = replace(_run("zero", current=np.zeros(1)), written_step=_ammeter_step(bench))
        yield _Candidate(
            does="what the ammeter shows with nothing connected (zero.csv)",
            minutes=1.0,
            runs=(nothing,),
        )


def _ammeter_step(bench: Bench) -> dict[str, float]:
    """One digit of the ammeter in the range of its smallest readings, where an offset hurts."""
    steps: list[float] = []
    for run in bench.runs:
        if "current" in run.readings:
            ammeter = bench.instrument("current", run.meters.get("current", ""))
            written = run.written_step.get("current", np.nan)
            steps += range_of(run.get("current"), ammeter, written)[0].tolist()
    return {"current": min((step for step in steps if step > 0), default=np.nan)}


def _driven(machine: BrushedMachine, running: FloatArray, fastest: float) -> Iterable[_Candidate]:
    speeds = np.array([0.5, 1.0]) * fastest
    volts = np.asarray(machine.emf_constant) * speeds
    yield _Candidate(
        does=f"open-circuit voltage at two speeds, up to {fastest / RPM:.0f} rpm",
        minutes=5.0,
        runs=(_run("open-circuit", speed=speeds, voltage=volts),),
    )
    carrying = running[_carrying(running) & (running[:, CURRENT] < 0)]
    if not len(carrying):
        ohms = float(f"{np.max(volts):.1g}")  # about one ampere
        yield _load(machine, speeds, np.full(2, ohms), f"a load test on about {ohms:.2g} ohm")
        return
    loads = -carrying[:, VOLTAGE] / carrying[:, CURRENT]
    heaviest, lightest = float(np.min(loads)), float(np.max(loads))
    yield _load(
        machine,
        np.full(3, fastest),
        np.full(3, heaviest),
        f"three more load readings at the largest current ({heaviest:.2g} ohm, "
        f"{fastest / RPM:.0f} rpm)",
    )
    if lightest < 2.0 * heaviest:
        yield _load(
            machine,
            np.full(2, fastest),
            np.array([3.0, 4.0]) * lightest,
            f"two load readings with a resistor of about {3.0 * lightest:.2g} ohm",
        )


def _carrying(running: FloatArray) -> BoolArray:
    """Rows with more current than a voltmeter draws."""
    return np.asarray(np.abs(running[:, VOLTAGE]) < _OPEN_CIRCUIT * np.abs(running[:, CURRENT]))


def _load(machine: BrushedMachine, speed: FloatArray, load: FloatArray, does: str) -> _Candidate:
    current = current_on_resistor(machine, speed, load)
    run = _run("load", speed=speed, voltage=-current * load, current=current)
    return _Candidate(does=does, minutes=5.0 + len(speed), runs=(run,))


def _by_itself(
    bench: Bench, machine: BrushedMachine, running: FloatArray, fastest: float
) -> Iterable[_Candidate]:
    """No-load runs: at two voltages, or one more away from those there are."""
    emf = float(np.asarray(machine.emf_constant)) * fastest
    there = [run.get("voltage") for run in bench.of_kind("no-load-motor") if len(run)]
    if not there:
        supplies = np.round(np.array([0.4, 0.8]) * emf, 1)
        does = f"two no-load runs from a supply, at {supplies[0]:g} V and {supplies[1]:g} V"
    else:
        seen = np.concatenate(there)
        middle = float(np.mean(seen))
        away = 0.4 * middle if np.ptp(seen) < 0.3 * middle else float(np.max(seen))
        supplies = np.round(np.array([away]), 1)
        does = f"one more no-load run from a supply, at {supplies[0]:g} V"
    speed, current = free_running(_with_some_loss(machine, running), supplies)
    if np.all(np.isfinite(speed)) and np.all(speed > 0):
        run = _run("no-load-motor", speed=speed, voltage=supplies, current=current)
        # a no-load current is too small to tell much of the resistance
        yield _Candidate(does=does, minutes=5.0, runs=(run,), tells=frozenset({"volts", "loss"}))


def _with_some_loss(machine: BrushedMachine, running: FloatArray) -> BrushedMachine:
    """A machine of which the loss is not known, with one of a usual size."""
    if np.any(np.asarray(machine.coulomb_torque) > 0):
        return machine
    loaded = running[_carrying(running), CURRENT]
    guess = 0.05 * float(np.max(np.abs(loaded))) if len(loaded) else _SMALL_CURRENT
    return replace(machine, coulomb_torque=np.asarray(machine.emf_constant) * guess)


def _coasting(
    bench: Bench, joint: Joint, machine: BrushedMachine, fastest: float
) -> Iterable[_Candidate]:
    """Coast-downs: none there, one kind only, or one of each kind."""
    full = joint.problem.conditions.full(joint.solution.theta)
    known = J in joint.problem.free and joint.standing.known[joint.problem.free.index(J)]
    inertia = float(full[J]) if known else 0.0
    for one in further_coast_downs(bench, machine, inertia, fastest):
        yield _Candidate(
            does=one.does,
            minutes=one.minutes,
            runs=one.runs,
            tells=frozenset({"loss"}),
            besides="" if known or _loss_seen(joint) else "moment of inertia",
        )


def _run(kind: Kind, **readings: FloatArray) -> Run:
    """An imagined run, written to four digits."""
    count = len(next(iter(readings.values())))
    steps = {
        name: 10.0 ** (np.floor(np.log10(np.max(np.abs(values)))) - 3)
        for name, values in readings.items()
        if np.any(values)
    }
    return Run(
        kind=kind,
        source=Path(f"{kind}-imagined.csv"),
        rows=np.arange(2, count + 2),
        readings=readings,
        written_step=steps,
        setting=("",) * count,
        direction=("",) * count,
        note=("",) * count,
    )


def _read_quantities(bench: Bench) -> set[str]:
    return {name for run in bench.runs for name in run.readings}


def _has_zero(bench: Bench) -> bool:
    return any("current" in run.readings for run in bench.of_kind("zero"))
