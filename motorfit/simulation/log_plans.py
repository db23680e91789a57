"""What is logged on a virtual bench: coast-downs, and what a logger does to them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from motorfit.machine.brushed import BrushedMachine
from motorfit.machine.coasting import coasting_time
from motorfit.quantities import Stated

#: About how many samples a logger should be set to take until the machine stands, and what
#: it can be set to. [s]
_SAMPLES = 150
_STEPS = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0)

#: Share of the start speed at which a log ends where there is no dry friction to stop it.
_SLOW = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class LogNoise:
    """What stands in a log besides the quantity and the meter's own gain and offset.

    Parameters
    ----------
    scatter : float, optional
        Standard deviation of a sample, relative to its value; that of the meter where left
        out.
    floor : float
        The same, relative to the largest value of the log. On top of the meter's own.
    correlation : float
        Of that scatter from one sample to the next: an autoregressive process of first
        order. From 0 to below 1.
    mains, mains_frequency : float
        Amplitude of the hum, relative to the largest value, and its frequency [Hz]; what a
        log shows of it depends on the sampling step. Not on speeds.
    commutator, segments : float
        Amplitude of the ripple of the commutator, relative to the value, and ripples a
        turn. Not on speeds.
    lag : float
        Time constant of the meter, a lag of first order. [s]
    spikes, spike_size : float
        Share of the samples with a spike, and its size relative to the largest value.
    uneven : float
        How far a sample is off its instant, either way, as a share of the step; below 0.5.
    gaps, gap : int, float
        How often the logger pauses, and how long. [s]
    repeated : float
        Share of the samples that have the stamp of the one before.
    clock_offset : float
        What the clock shows at the first sample. [s]
    autorange : bool
        Whether the meter changes its range within a log. A log is taken in one range, that
        of its largest reading, unless set.
    """

    scatter: float | None = None
    floor: float = 0.0
    correlation: float = 0.0
    mains: float = 0.0
    mains_frequency: float = 100.0
    commutator: float = 0.0
    segments: float = 24.0
    lag: float = 0.0
    spikes: float = 0.0
    spike_size: float = 0.3
    uneven: float = 0.0
    gaps: int = 0
    gap: float = 1.0
    repeated: float = 0.0
    clock_offset: float = 0.0
    autorange: bool = False

    def __post_init__(self) -> None:
        if not 0.0 <= self.correlation < 1.0:
            raise ValueError(f"correlation must be from 0 to below 1, found {self.correlation!r}")
        if not 0.0 <= self.uneven < 0.5:
            raise ValueError(f"uneven must be from 0 to below 0.5, found {self.uneven!r}")


@dataclass(frozen=True, slots=True, kw_only=True)
class CoastDownPlan:
    """One run of a machine that is let go and comes to rest. Everything in SI.

    Parameters
    ----------
    start_speed : float
        Speed at which the drive is taken off. [rad/s]
    load : float, optional
        Value written on the resistor across it; open where left out. [ohm]
    records : tuple of {"voltage", "speed"}
        What is logged.
    load_columns : {"load", "current", "current and load"}
        How the sheet of a loaded run tells the current.
    step : float
        From one sample to the next. [s]
    duration : float, optional
        From release to the last sample; until it stands and ``idle`` where left out. [s]
    idle : float
        How long the log goes on once the machine stands. [s]
    engaged : float
        How long it has been going on when the drive is taken off. [s]
    added_inertia : Stated, optional
        Of a disc on the shaft, as the sheet states it; the true one is drawn from its
        half-width. [kg m2]
    noise : LogNoise
        What the logger adds.
    name : str
        Of the file, behind "coast-down-"; runs without one are numbered.
    """

    start_speed: float
    load: float | None = None
    records: tuple[Literal["voltage", "speed"], ...] = ("voltage",)
    load_columns: Literal["load", "current", "current and load"] = "load"
    step: float = 0.1
    duration: float | None = None
    idle: float = 1.0
    engaged: float = 0.0
    added_inertia: Stated | None = None
    noise: LogNoise = field(default_factory=LogNoise)
    name: str = ""

    def __post_init__(self) -> None:
        for name in ("start_speed", "step"):
            if not getattr(self, name) > 0:
                raise ValueError(f"{name} must be positive, found {getattr(self, name)!r}")
        if not self.records:
            raise ValueError("records must name voltage, speed or both")

    @property
    def has_ammeter(self) -> bool:
        """Whether an ammeter is in the circuit."""
        return self.load is not None and self.load_columns != "load"


def usual_coast_downs(
    machine: BrushedMachine,
    moment_of_inertia: float,
    *,
    start_speed: float,
    load: float,
    runs: int = 2,
    noise: LogNoise | None = None,
) -> tuple[CoastDownPlan, ...]:
    """Coast-downs as they are recommended: some open, and as many on a resistor.

    Parameters
    ----------
    machine : BrushedMachine
        The machine, for which the loggers are set.
    moment_of_inertia : float
        [kg m2]
    start_speed : float
        [rad/s]
    load : float
        Value written on the resistor. [ohm]
    runs : int
        How many of each.
    noise : LogNoise, optional
        What the loggers add.

    Returns
    -------
    tuple of CoastDownPlan
        Each with about 150 samples, the drive engaged during the first few.

    Examples
    --------
    >>> small = BrushedMachine(emf_constant=0.05, armature_resistance=0.5, coulomb_torque=0.02)
    >>> [(each.name, each.step) for each in
    ...  usual_coast_downs(small, 1e-3, start_speed=400.0, load=4.5, runs=1)]
    [('open', 0.1), ('loaded', 0.05)]
    """
    return tuple(
        _usual(machine, moment_of_inertia, start_speed, outside, noise or LogNoise())
        for outside in (None, load)
        for _ in range(runs)
    )


def _usual(
    machine: BrushedMachine, inertia: float, start: float, load: float | None, noise: LogNoise
) -> CoastDownPlan:
    outside = np.inf if load is None else load
    stop = float(coasting_time(machine, inertia, start, load=outside))
    stands = np.isfinite(stop)
    if not stands:
        stop = float(coasting_time(machine, inertia, start, _SLOW * start, load=outside))
    step = min(_STEPS, key=lambda step: abs(np.log(step * _SAMPLES / stop)))
    return CoastDownPlan(
        name="open" if load is None else "loaded",
        start_speed=start,
        load=load,
        step=step,
        duration=None if stands else stop,
        engaged=5 * step,
        idle=5 * step,
        noise=noise,
    )
