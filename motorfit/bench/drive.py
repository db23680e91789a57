"""The drive's input power, with the machine coupled and without it, before any fit."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from motorfit.arrays import BoolArray, FloatArray
from motorfit.bench.evidence import Evidence, listed, place
from motorfit.bench.records import Run
from motorfit.bench.settings import Settings
from motorfit.finding import Finding
from motorfit.quantities import Stated

#: Share of a drive's additional input power that reaches the shaft, where nobody stated it:
#: common practice for a drive motor with a belt or a chuck, no source.
USUAL_EFFICIENCY = Stated(0.8, 0.2, "80 % +- 20 %")

#: The power of the drive alone is known so far beyond the speeds at which it was read.
_REACH = 1.1

#: By so much, relatively, a power may be too small before it is called a slip.
_TOO_LITTLE = 0.03


def within_reach(speed: FloatArray, alone: FloatArray) -> BoolArray:
    """At which speeds the power of the drive alone is known.

    Parameters
    ----------
    speed : ndarray, shape (n,)
        Magnitudes. [rad/s]
    alone : ndarray, shape (m,)
        Speeds at which the drive's own power was read, at least one. [rad/s]

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    low, high = np.min(alone) / _REACH, np.max(alone) * _REACH
    return np.asarray((speed >= low) & (speed <= high))


def drive_assumption(runs: Sequence[Run], settings: Settings) -> tuple[str, ...]:
    """A sentence where a drive's efficiency is needed and nobody stated it."""
    needed = any(run.uncoupled for run in runs) and any(_powered(run) for run in runs)
    if not needed or settings.drive.efficiency is not None:
        return ()
    return (f"drive efficiency: {USUAL_EFFICIENCY.text}",)


def power_of_drive(evidence: Evidence) -> Iterator[Finding]:
    """A drive's power that gives no torque, or that is less with the machine than without."""
    powered = [run for run in evidence.of("open-circuit", "load") if _powered(run)]
    alone = [run for run in evidence.alone if len(run)]
    if powered and not alone:
        yield Finding(
            kind="drive-power-not-used",
            where=powered[0].source.name,
            says="The drive's power is read and not used: nothing says what the drive takes alone.",
            suggestion="Read its power and speed once more with the machine uncoupled, in a "
            'file such as open-circuit-drive-alone.csv with a line "# machine uncoupled".',
            severity="note",
        )
    if not alone:
        return
    speeds = np.concatenate([np.abs(run.get("speed")) for run in alone])
    powers = np.concatenate([np.abs(run.get("drive_power")) for run in alone])
    for run in powered:
        speed, power = np.abs(run.get("speed")), np.abs(run.get("drive_power"))
        reached = within_reach(speed, speeds)
        beyond = np.isfinite(power) & ~reached
        if beyond.any():
            yield _beyond(run, beyond)
        less = np.isfinite(power) & reached
        less &= power < (1 - _TOO_LITTLE) * _between(speed, speeds, powers)
        if less.any():
            yield _less(run, less)


def _powered(run: Run) -> bool:
    return not run.uncoupled and bool(np.isfinite(run.get("drive_power")).any())


def _between(speed: FloatArray, speeds: FloatArray, powers: FloatArray) -> FloatArray:
    """Power of the drive alone at a speed, straight between its readings."""
    order = np.argsort(speeds, kind="stable")
    if np.ptp(speeds) == 0:
        return np.asarray(np.mean(powers) * speed / speeds[0])
    return np.interp(speed, speeds[order], powers[order])


def _beyond(run: Run, rows: BoolArray) -> Finding:
    return Finding(
        kind="drive-power-beyond",
        where=place(run, rows),
        says=f"The drive alone was not read at such speeds ({listed(run, rows)}): its power gives "
        "no torque there.",
        suggestion="Let the drive run alone at the lowest and at the highest speed as well.",
        severity="note",
    )


def _less(run: Run, rows: BoolArray) -> Finding:
    return Finding(
        kind="drive-power-too-small",
        where=place(run, rows),
        says="The drive takes less power with the machine coupled than alone at the same speed "
        f"({listed(run, rows)}).",
        suggestion="Look whether the sheets are exchanged, whether the drive was still cold, or "
        "whether one power is of another range or unit.",
        damage=15.0,
    )
