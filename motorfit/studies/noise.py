"""How large every error of a scenario truly is, in the condition equations of its bench."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from motorfit.arrays import BoolArray, FloatArray, IntArray
from motorfit.bench.records import Bench
from motorfit.estimation.assemble import USED_KINDS
from motorfit.estimation.brush_scale import BRUSH_SCALE
from motorfit.estimation.coasting_rows import LOG_NOISE
from motorfit.estimation.physics import R
from motorfit.estimation.problem import Problem
from motorfit.estimation.rows import READ, SPEED, Nuisance
from motorfit.estimation.solver import Linearised
from motorfit.instruments import range_of, rounding_variance
from motorfit.machine.brushed import loss_torque
from motorfit.studies.scenarios import Scenario

_VOLTAGE_EQUATION, _TORQUE_EQUATION = range(2)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Noise:
    """A noise-free bench with its equations linear about the truth."""

    scenario: Scenario
    bench: Bench  # settings named
    problem: Problem  # of the bench without its zero readings
    theta: FloatArray
    at: Linearised

    @property
    def labels(self) -> tuple[str, ...]:
        """File and setting of each row."""
        runs = [run for run in self.bench.of_kind(*USED_KINDS) if len(run)]
        return tuple(f"{run.source.name} {label}" for run in runs for label in run.setting)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Errors:
    """Errors with a prior: r of instruments, temperatures and the brush drop's shape."""

    influence: FloatArray  # (N, r) on the condition equations
    deviation: FloatArray  # (r,) prior standard deviation
    rectangular: BoolArray  # (r,) or normal


def instrument_errors(noise: Noise) -> Errors:
    """Errors that are the same for many readings, with what zero readings say of them."""
    problem = noise.problem
    nuisances = problem.assembled.nuisances
    chosen = [
        place
        for place, nuisance in enumerate(nuisances)
        if nuisance.error != "effect" or nuisance.quantity == BRUSH_SCALE
    ]
    columns = [len(problem.free) + place for place in chosen]
    deviation = [_deviation(noise, nuisances[place]) for place in chosen]
    by_chance = noise.scenario.kit.draw == "normal"
    return Errors(
        influence=noise.at.design[problem.conditions.present][:, columns],
        deviation=np.array(deviation),
        rectangular=np.full(len(chosen), not by_chance),
    )


def _deviation(noise: Noise, nuisance: Nuisance) -> float:
    """Prior standard deviation; a zero reading of an offset tells it to its rounding."""
    if nuisance.error != "offset":
        return nuisance.deviation
    information = nuisance.deviation**-2
    for run in noise.bench.of_kind("zero"):
        if nuisance.quantity not in run.readings:
            continue
        meter = noise.scenario.kit.meter(nuisance.quantity)
        step, label = range_of(np.zeros(1), meter.stated, run.written_step[nuisance.quantity])
        if label[0] == nuisance.range:
            # the rounding of an offset is the same each time, where nothing flickers
            variance = rounding_variance(step).item() + meter.noise**2 / len(run)
            information += 1.0 / variance
    return float(information**-0.5)


def scatter_covariance(noise: Noise) -> FloatArray:
    """Covariance of the condition equations by everything that chance decides, (N, N)."""
    conditions = noise.problem.conditions
    rows, equations = conditions.present.shape
    whole = np.zeros((rows, equations, rows, equations))
    each = np.arange(rows)
    sensitivity = noise.at.sensitivity
    own = _reading_variance(noise)[..., None] * np.eye(len(READ)) + conditions.known
    whole[each, :, each, :] = sensitivity @ own @ sensitivity.swapaxes(-1, -2)
    size = rows * equations
    total = whole.reshape(size, size)
    for column in _shared(noise):
        total = total + np.outer(column.ravel(), column.ravel())
    kept = conditions.present.ravel()
    return np.asarray((total + _serial(noise))[np.ix_(kept, kept)])


def _reading_variance(noise: Noise) -> FloatArray:
    """Of what is new at each reading, rounding left out, (n, 4).

    Where a log was reduced to rates nothing is: the values are chosen, not read.
    """
    scenario, rows = noise.scenario, noise.problem.conditions.rows
    shown = np.where(rows.coasting[:, None], 0.0, rows.shown)
    variance = np.zeros(shown.shape)
    for axis, quantity in enumerate(READ):
        read = shown[:, axis] != 0
        meter = scenario.kit.meters.get(quantity)
        if meter is None or not read.any():
            continue
        variance[:, axis] = (meter.repeatability * shown[:, axis]) ** 2 + read * meter.noise**2
    variance[:, SPEED] += (scenario.conditions.speed_drift * shown[:, SPEED]) ** 2
    return variance


def _shared(noise: Noise) -> Iterator[FloatArray]:
    """One column (n, m) for each independent error that several equations may share."""
    conditions = noise.scenario.conditions
    rows = noise.problem.conditions.rows
    turning = ~rows.standing & ~rows.coasting
    speed = noise.at.sensitivity[..., SPEED] * rows.shown[:, [SPEED]]
    yield from _by_group(conditions.setting_drift * speed, noise.labels, turning)
    loss = _loss(noise)
    yield from _by_group(conditions.friction_run * loss, rows.file, _self_turning(rows.kind))
    yield from _by_group(conditions.friction_row * loss, range(len(rows)), turning)
    uneven = np.zeros(loss.shape)
    if R in noise.problem.free:
        place = noise.problem.free.index(R)
        resistive = noise.at.design[:, _VOLTAGE_EQUATION, place] * noise.theta[place]
        uneven[:, _VOLTAGE_EQUATION] = conditions.position_effect * resistive
    yield from _by_group(uneven, noise.labels, rows.standing)
    yield from _log_noise(noise)


def _log_noise(noise: Noise) -> Iterator[FloatArray]:
    """What the rates of one log share."""
    first = len(noise.problem.free)
    for place, nuisance in enumerate(noise.problem.assembled.nuisances):
        if nuisance.quantity == LOG_NOISE:
            yield noise.at.design[..., first + place] * nuisance.deviation


def _self_turning(kinds: Sequence[str]) -> BoolArray:
    """Rows of the tests whose friction is drawn run by run."""
    return np.isin(kinds, ("no-load-motor", "brake", "coast-down"))


def _loss(noise: Noise) -> FloatArray:
    """Change of the equations with the loss torque, relative, (n, m)."""
    conditions = noise.problem.conditions
    machine = conditions.machine(conditions.full(noise.theta))
    change = np.zeros(conditions.present.shape)
    change[:, _TORQUE_EQUATION] = loss_torque(machine, conditions.nominal.values[:, SPEED])
    return change


def _by_group(
    change: FloatArray, labels: Sequence[object], chosen: BoolArray
) -> Iterator[FloatArray]:
    if not change.any():
        return
    groups: dict[object, list[int]] = {}
    for place, label in enumerate(labels):
        if chosen[place]:
            groups.setdefault(label, []).append(place)
    for group in groups.values():
        column = np.zeros(change.shape)
        column[group] = change[group]
        yield column


def _serial(noise: Noise) -> FloatArray:
    """Covariance of a speed error that remembers the rows before it in its sheet."""
    conditions, rows = noise.scenario.conditions, noise.problem.conditions.rows
    speed = noise.at.sensitivity[..., SPEED] * rows.shown[:, [SPEED]] * ~rows.coasting[:, None]
    column = (conditions.serial_drift * speed).ravel()
    if not column.any():
        return np.zeros((column.size, column.size))
    equations = speed.shape[1]
    file = np.repeat(np.unique(rows.file, return_inverse=True)[1], equations)
    place: IntArray = np.repeat(np.asarray(rows.row, np.int64), equations)
    apart = np.abs(place[:, None] - place)
    memory = np.where(file[:, None] == file, conditions.serial_correlation**apart, 0.0)
    return np.asarray(memory * np.outer(column, column))
