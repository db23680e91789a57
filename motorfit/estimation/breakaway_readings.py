"""Starting torques of a bench, with position, direction and the errors of what read them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from motorfit.arrays import FloatArray, IntArray
from motorfit.bench.records import Bench, Run
from motorfit.estimation.instrument_errors import add_arm_errors, add_meter_errors
from motorfit.estimation.register import Register, zero_offsets
from motorfit.estimation.rows import TORQUE, Nuisance
from motorfit.instruments import calibrated, range_of

#: Positions are one where they are nearer than this. [rad]
_SAME_POSITION = math.radians(1.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StartingTorques:
    """n starting torques with their cells: a position and a direction each."""

    torque: FloatArray  # (n,) what a `zero` reading showed taken off [N m]
    position: IntArray  # (n,) number of the position
    direction: IntArray  # (n,) number of the direction
    errors: tuple[tuple[Nuisance, FloatArray], ...]  # and by how much the torque is off, (n,)


def starting_torques(bench: Bench) -> StartingTorques | None:
    """All starting torques of a bench, with the errors of what read them.

    Parameters
    ----------
    bench : Bench
        With or without breakaway readings.

    Returns
    -------
    StartingTorques or None
        None where there are none.
    """
    register = Register()
    torques, positions, directions = [], [], []
    start = 0
    for run in bench.of_kind("breakaway"):
        torque = _torques(bench, run, start, register)
        there = np.isfinite(torque)
        position = run.get("position") % (2 * math.pi)
        # without a position each reading was taken at one of its own
        alone = -1.0 - (start + np.arange(len(run)))
        positions.append(np.where(np.isfinite(position), position, alone)[there])
        directions.append(np.array([way == "b" for way in run.direction], dtype=np.int64)[there])
        torques.append(torque)
        start += len(run)
    if not torques or not np.isfinite(np.concatenate(torques)).any():
        return None
    shown = np.concatenate(torques)
    there = np.isfinite(shown)
    influence = register.influence(len(shown))
    # by how much more is shown, per unit of each error
    slopes = influence.gain[:, TORQUE] * np.nan_to_num(shown)[:, None] + influence.offset[:, TORQUE]
    nuisances = zero_offsets(bench, register)
    seen = slopes @ np.array([nuisance.mean for nuisance in nuisances])
    return StartingTorques(
        torque=(shown - seen)[there],
        position=_positions(np.concatenate(positions)),
        direction=np.concatenate(directions),
        errors=tuple((nuisance, slopes[there, place]) for place, nuisance in enumerate(nuisances)),
    )


def _positions(position: FloatArray) -> IntArray:
    """Numbers of positions: those within a degree are one, across the whole turn as well."""
    steps = np.where(position < 0, position, np.round(position / _SAME_POSITION) % 360)
    return numbered(steps)[0]


def _torques(bench: Bench, run: Run, start: int, register: Register) -> FloatArray:
    """Magnitudes of one run's torques; its errors go into the register."""
    rows = start + np.arange(len(run))
    if "torque" in run.readings:
        return _shown(bench, run, "torque", np.ones(len(run)), rows, register)
    ruler = bench.instrument("arm", run.meters.get("arm", ""))
    arm = np.abs(calibrated(run.get("arm"), ruler))
    torque = _shown(bench, run, "force", arm, rows, register)
    there = np.flatnonzero(np.isfinite(torque))
    add_arm_errors(register, ruler, run, there, rows[there])
    return torque


def _shown(
    bench: Bench, run: Run, quantity: str, arm: FloatArray, rows: IntArray, register: Register
) -> FloatArray:
    meter = run.meters.get(quantity, "")
    instrument = bench.instrument(quantity, meter)
    shown = np.abs(run.get(quantity))
    step, labels = range_of(shown, instrument, run.written_step.get(quantity, 0.0))
    for label in dict.fromkeys(labels):
        here = np.array([one == label for one in labels]) & np.isfinite(shown * arm)
        if here.any():
            add_meter_errors(
                register,
                instrument,
                meter,
                rows[here],
                label=label,
                step=step[here],
                axis=TORQUE,
                per_unit=arm[here],
                unit="N" if quantity == "force" else "N.m",
            )
    return np.asarray(calibrated(shown, instrument) * arm)


def numbered(values: FloatArray | IntArray) -> tuple[IntArray, int]:
    """Numbers from zero for equal values, and how many there are."""
    different, number = np.unique(values, return_inverse=True)
    return np.asarray(number, np.int64), len(different)
