"""What a logger writes down of a course: its samples, its clock and its meters."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.instruments import range_of
from motorfit.simulation.courses import Course
from motorfit.simulation.instruments import VirtualKit, VirtualMeter
from motorfit.simulation.log_plans import LogNoise
from motorfit.simulation.readings import DrawnKit, rounded

#: Steps in which a lagging meter is followed, to its time constant.
_STEPS_A_LAG = 20


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Log:
    """A log as it is written; every array has shape (n,)."""

    shown: dict[str, FloatArray]  # by quantity, with the time, magnitudes in SI
    steps: dict[str, float]  # finest step it was shown in, SI
    true: dict[str, FloatArray]  # by quantity, at the instants of the samples; time since release


def log_of(
    course: Course,
    quantities: tuple[str, ...],
    *,
    start: float,
    step: float,
    noise: LogNoise,
    kit: VirtualKit,
    drawn: DrawnKit,
) -> Log:
    """Write a course down.

    Parameters
    ----------
    course : Course
        What happens.
    quantities : tuple of str
        What is logged.
    start, step : float
        First sample, on the course's time, and from one to the next. [s]
    noise : LogNoise
        What the logger adds.
    kit : VirtualKit
        The meters, and the clock.
    drawn : DrawnKit
        Their errors of the day.

    Returns
    -------
    Log
    """
    rng = drawn.rng
    time = _instants(start, course.end, step, noise, rng)
    true = course.at(time)
    lagged = _lagged(course, time, start, step, noise.lag) if noise.lag else true
    clock, clock_step = _clock(time - start, noise, kit.meter("time"), drawn)
    shown, steps = {"time": clock}, {"time": clock_step}
    angle = _turned(time, true["speed"])
    for quantity in quantities:
        value = lagged[quantity]
        disturbed = value + _hum(quantity, value, time, angle, noise, rng)
        meter = kit.meter(quantity)
        disturbed = disturbed + _scatter(value, noise, meter, rng)
        disturbed = disturbed + _spikes(value, noise, rng)
        shown[quantity], steps[quantity] = _read(quantity, disturbed, meter, noise, drawn)
    return Log(shown=shown, steps=steps, true={"time": time, **true})


def _instants(
    start: float, end: float, step: float, noise: LogNoise, rng: np.random.Generator
) -> FloatArray:
    """When the samples are taken. [s]"""
    count = int(np.floor((end - start) / step + 1e-9)) + 1
    time = start + step * np.arange(count)
    if noise.uneven:
        time = time + noise.uneven * step * rng.uniform(-1.0, 1.0, count)
        time[0] = start
    if noise.gaps:
        begin = rng.uniform(start, end, noise.gaps)
        paused = ((time >= begin[:, None]) & (time < begin[:, None] + noise.gap)).any(axis=0)
        time = time[~paused | (np.arange(count) == 0)]
    return np.asarray(time)


def _clock(
    since: FloatArray, noise: LogNoise, meter: VirtualMeter, drawn: DrawnKit
) -> tuple[FloatArray, float]:
    """What the stamps say, and their step. [s]"""
    step = _one_step(since + noise.clock_offset, meter)
    stamped = (1.0 + drawn.error(meter, step).gain) * since + noise.clock_offset
    if noise.repeated:
        late = drawn.rng.uniform(size=since.shape) < noise.repeated
        late[0] = False
        fresh = np.maximum.accumulate(np.where(late, 0, np.arange(len(since))))
        stamped = stamped[fresh]
    return rounded(stamped, meter.stated, np.full(since.shape, step)), step


def _lagged(
    course: Course, time: FloatArray, start: float, step: float, lag: float
) -> dict[str, FloatArray]:
    """What a meter of first order shows, followed in small straight pieces.

    It had settled when the log begins. On a straight piece of slope s the answer is exact:
    it ends ``s lag`` behind, and what it was off at the beginning is left by exp(-h/lag).
    """
    from scipy.signal import lfilter

    width = step / max(np.ceil(step * _STEPS_A_LAG / lag), 1.0)  # even samples fall upon the pieces
    pieces = int(np.ceil((time[-1] - start) / width - 1e-9))
    fine = start + width * np.arange(pieces + 1)
    left = np.exp(-width / lag)
    behind = lag / width * (1.0 - left)
    found = {}
    for quantity, values in course.at(fine).items():
        off = values - values[0]
        follows = lfilter([1.0 - behind, behind - left], [1.0, -left], off)
        found[quantity] = np.interp(time, fine, values[0] + follows)
    return found


def _turned(time: FloatArray, speed: FloatArray) -> FloatArray:
    """Angle of the shaft since the first sample. [rad]"""
    between = 0.5 * (speed[1:] + speed[:-1]) * np.diff(time)
    return np.concatenate([[0.0], np.cumsum(between)])


def _hum(
    quantity: str,
    value: FloatArray,
    time: FloatArray,
    angle: FloatArray,
    noise: LogNoise,
    rng: np.random.Generator,
) -> FloatArray:
    """Ripple of the mains and of the commutator, each at a phase of its own."""
    found = np.zeros(value.shape)
    if quantity == "speed":
        return found
    if noise.mains:
        phase = 2 * np.pi * (noise.mains_frequency * time + rng.uniform())
        found += noise.mains * value.max(initial=0.0) * np.sin(phase)
    if noise.commutator:
        phase = noise.segments * angle + 2 * np.pi * rng.uniform()
        found += noise.commutator * value * np.sin(phase)
    return found


def _scatter(
    value: FloatArray, noise: LogNoise, meter: VirtualMeter, rng: np.random.Generator
) -> FloatArray:
    """Scatter that remembers the sample before."""
    from scipy.signal import lfilter

    relative = meter.repeatability if noise.scatter is None else noise.scatter
    size = np.hypot(relative * value, np.hypot(meter.noise, noise.floor * value.max(initial=0.0)))
    new = rng.standard_normal(value.shape)
    if noise.correlation:
        new[1:] *= np.sqrt(1.0 - noise.correlation**2)  # every sample has the same variance
        new = lfilter([1.0], [1.0, -noise.correlation], new)
    return np.asarray(size * new)


def _spikes(value: FloatArray, noise: LogNoise, rng: np.random.Generator) -> FloatArray:
    if not noise.spikes:
        return np.zeros(value.shape)
    hit = rng.uniform(size=value.shape) < noise.spikes
    height = noise.spike_size * value.max(initial=0.0) * rng.choice([-1.0, 1.0], value.shape)
    return np.where(hit, height, 0.0)


def _read(
    quantity: str, value: FloatArray, meter: VirtualMeter, noise: LogNoise, drawn: DrawnKit
) -> tuple[FloatArray, float]:
    """What the meter shows; its scatter is in the values already."""
    quiet = replace(meter, repeatability=0.0, noise=0.0)
    step = None if noise.autorange else _one_step(value, meter)
    shown, step = drawn.read(quiet, value, step=step)
    return (np.maximum(shown, 0.0) if quantity == "speed" else shown), step


def _one_step(value: FloatArray, meter: VirtualMeter) -> float:
    """Step of the range that holds a whole log."""
    if meter.stated.resolution is not None:
        return meter.stated.resolution
    largest = np.abs(value).max(initial=0.0) * (1.0 + meter.stated.accuracy.relative)
    return float(range_of([largest], meter.stated)[0][0])
