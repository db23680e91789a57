r"""Shaft torque from the input power of the drive, with and without the machine coupled.

What the machine takes is what the drive takes more with it than alone at the same speed, less
what the drive and the belt waste of that:

.. math::

    \tau = -\frac{\eta}{\omega} \bigl(P(\omega) - P_0(\omega)\bigr)

P0 is a polynomial of the speed through the readings of the drive alone. The efficiency
:math:`\eta` is one unknown number for all readings; so are the power meter's gain and offset,
which act on both powers. How far the speed was misread does not count beside the efficiency.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from motorfit.arrays import BoolArray, FloatArray, IntArray
from motorfit.bench.drive import USUAL_EFFICIENCY, within_reach
from motorfit.bench.records import Bench, Run
from motorfit.estimation.register import Register
from motorfit.estimation.rows import TORQUE, Nuisance
from motorfit.instruments import (
    calibrated,
    gain_half_width,
    offset_half_width,
    range_of,
    rounding_variance,
)
from motorfit.quantities import Stated

#: Usual relative standard deviation of a repeated reading of a power meter: common practice,
#: no source. Readings of the drive alone that scatter more say so themselves.
USUAL_REPEATABILITY = 0.01

#: The polynomial through the readings of the drive alone: standing power, a torque, and a
#: torque that grows with the speed.
_MOST_TERMS = 3

#: Speeds closer than this, relatively, are one speed.
_SAME_SPEED = 0.02

_DRIVE = "power of the drive alone"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DriveTorque:
    """Shaft torque of n rows from the drive's power; NaN where there is none."""

    torque: FloatArray  # (n,) positive: what the machine takes [N m]
    rounding: FloatArray  # (n,) variance of the display's rounding
    repeatability: FloatArray  # (n,) usual standard deviation of a repeated reading
    errors: tuple[tuple[Nuisance, tuple[object, ...], FloatArray], ...]
    # each unknown error with its key, and by how much the torque is too large per unit, (n,)
    efficiency: Nuisance  # relative, of the torque


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Powers:
    """Readings of one power, with the errors of each."""

    run: Run
    speed: FloatArray
    power: FloatArray  # calibrated
    step: FloatArray
    label: tuple[str, ...]

    @classmethod
    def of(cls, bench: Bench, run: Run) -> _Powers:
        meter = bench.instrument("drive_power", run.meters.get("drive_power", ""))
        shown = np.abs(run.get("drive_power"))
        step, label = range_of(shown, meter, run.written_step.get("drive_power", 0.0))
        speed = np.abs(run.get("speed"))
        return cls(run=run, speed=speed, power=calibrated(shown, meter), step=step, label=label)

    @property
    def scatter(self) -> FloatArray:
        """Usual standard deviation of a repeated reading. [W]"""
        return np.asarray(USUAL_REPEATABILITY * self.power)


def torque_from_drive_power(bench: Bench, run: Run) -> DriveTorque | None:
    """Shaft torque that a driven machine takes, from the power of its drive.

    Parameters
    ----------
    bench : Bench
        With a run of the drive alone.
    run : Run
        An open-circuit or load test with n rows.

    Returns
    -------
    DriveTorque or None
        None where no row has a torque: there is no power, or nothing of the drive alone at
        such a speed.
    """
    alone = [_Powers.of(bench, each) for each in bench.of_drive_alone if len(each)]
    if "drive_power" not in run.readings or run.uncoupled or not alone:
        return None
    coupled = _Powers.of(bench, run)
    there = np.isfinite(coupled.power) & (coupled.speed > 0)
    there &= within_reach(coupled.speed, np.concatenate([each.speed for each in alone]))
    if not there.any():
        return None
    curve = _curve(alone)
    efficiency, nuisance = _efficiency(bench.settings.drive.efficiency)
    with np.errstate(divide="ignore", invalid="ignore"):
        per_watt = np.where(there, efficiency / coupled.speed, np.nan)
    basis = np.where(there[:, None], _basis(coupled.speed, len(curve)), 0.0)
    readings = np.concatenate([each.power for each in alone])
    taken = coupled.power - basis @ curve @ readings
    scale = np.nan_to_num(per_watt)
    return DriveTorque(
        torque=per_watt * taken,
        rounding=scale**2 * rounding_variance(np.nan_to_num(coupled.step)),
        repeatability=scale * np.nan_to_num(coupled.scatter),
        errors=(
            *_meter_errors(bench, coupled, alone, basis @ curve, scale),
            *_curve_errors(alone, curve, basis, scale),
        ),
        efficiency=nuisance,
    )


def _efficiency(stated: Stated | None) -> tuple[float, Nuisance]:
    """Factor on the power, and what it may be off, from the moments of 1/efficiency.

    Rectangular within its half-width, cut at 100 %: the mean of its inverse is
    ln(h/l)/(h - l), and that of the inverse's square 1/(h l).
    """
    stated = stated or USUAL_EFFICIENCY
    low, high = stated.value - stated.half_width, min(1.0, stated.value + stated.half_width)
    if not high > low:
        return stated.value, Nuisance.rectangular("drive efficiency", "gain", 0.0)
    mean = math.log(high / low) / (high - low)
    deviation = math.sqrt(max(0.0, 1.0 / (high * low) - mean**2)) / mean
    return 1.0 / mean, Nuisance.rectangular("drive efficiency", "gain", math.sqrt(3.0) * deviation)


def _basis(speed: FloatArray, terms: int) -> FloatArray:
    """Powers of the speed, (n, terms); a single one is a constant torque."""
    powers = np.arange(terms) if terms > 1 else np.ones(1)
    return np.asarray(speed[:, None] ** powers)


def _curve(alone: Sequence[_Powers]) -> FloatArray:
    """From readings of the drive alone to the coefficients of its power, (terms, m)."""
    speed = np.concatenate([each.speed for each in alone])
    distinct = 1 + int(np.sum(np.diff(np.sort(speed)) > _SAME_SPEED * np.max(speed)))
    design = _basis(speed, min(distinct, _MOST_TERMS))
    size = np.linalg.norm(design, axis=0)
    weight = 1.0 / np.maximum(np.concatenate([each.scatter for each in alone]), _tiny(alone))
    found = np.linalg.pinv(design / size * weight[:, None]) * weight
    return np.asarray(found / size[:, None])


def _tiny(alone: Sequence[_Powers]) -> float:
    """A drive that takes nothing at all has no relative scatter."""
    largest = max(float(np.max(each.power)) for each in alone)
    return 1e-6 * largest or 1.0


def _meter_errors(
    bench: Bench,
    coupled: _Powers,
    alone: Sequence[_Powers],
    per_reading: FloatArray,
    scale: FloatArray,
) -> Iterator[tuple[Nuisance, tuple[object, ...], FloatArray]]:
    """Gain and offset of each meter and range: they act on both powers, and so on a difference."""
    starts = np.cumsum([0, *(len(each.power) for each in alone)])
    parts: dict[tuple[str, str], tuple[FloatArray, FloatArray, float]] = {}
    for each, share in (
        (coupled, np.eye(len(coupled.power))),
        *(
            (each, -per_reading[:, first:last])
            for each, first, last in zip(alone, starts[:-1], starts[1:], strict=True)
        ),
    ):
        name = each.run.meters.get("drive_power", "")
        for label in dict.fromkeys(each.label):
            here = np.array([one == label for one in each.label]) & np.isfinite(each.power)
            if not here.any():
                continue
            nothing = np.zeros(len(scale))
            gain, offset, step = parts.get((name, label), (nothing, nothing, 0.0))
            parts[name, label] = (
                gain + share[:, here] @ each.power[here],
                offset + share[:, here].sum(axis=1),
                max(step, float(np.max(each.step[here]))),
            )
    for (name, label), (gain, offset, step) in parts.items():
        meter = bench.instrument("drive_power", name)
        width = float(offset_half_width(meter, step))
        key = ("drive_power", name, label)
        of_gain = Nuisance.rectangular(
            "drive_power", "gain", gain_half_width(meter), id=meter.id, range=label
        )
        of_offset = Nuisance.rectangular(
            "drive_power", "offset", width, id=meter.id, range=label, unit="W"
        )
        yield of_gain, (*key, "gain"), scale * gain
        yield of_offset, (*key, "offset"), scale * offset


def _curve_errors(
    alone: Sequence[_Powers], curve: FloatArray, basis: FloatArray, scale: FloatArray
) -> Iterator[tuple[Nuisance, tuple[object, ...], FloatArray]]:
    """Scatter of the readings of the drive alone, which all rows share through its curve."""
    power = np.concatenate([each.power for each in alone])
    speed = np.concatenate([each.speed for each in alone])
    rounding = rounding_variance(np.concatenate([each.step for each in alone]))
    variance = (
        rounding + np.maximum(np.concatenate([each.scatter for each in alone]), _tiny(alone)) ** 2
    )
    left = power - _basis(speed, len(curve)) @ curve @ power
    freedom = len(power) - len(curve)
    if freedom > 0:
        variance = variance * max(1.0, float(np.sum(left**2 / variance)) / freedom)
    covariance = (curve * variance) @ curve.T
    size = np.sqrt(np.diag(covariance))
    root = size[:, None] * np.linalg.cholesky(covariance / np.outer(size, size) + _ridge(len(size)))
    for number, column in enumerate(root.T):
        error = Nuisance(quantity=_DRIVE, error="effect", deviation=1.0, shape="normal")
        yield error, (_DRIVE, number), -scale * (basis @ column)


def _ridge(size: int) -> FloatArray:
    """For the rounding of a correlation near one."""
    return np.asarray(1e-12 * np.eye(size))


def add_drive_torque(
    found: DriveTorque, chosen: BoolArray, rows: IntArray, register: Register, *, sign: float
) -> None:
    """Let the errors of a drive's power act on the rows that have their torque from it.

    Parameters
    ----------
    found : DriveTorque
        Of n rows.
    chosen : ndarray of bool, shape (n,)
        Which have their torque from it.
    rows : ndarray of int, shape (n,)
        Places of its rows among those of the bench.
    register : Register
        Collects the errors.
    sign : float
        Of a driven machine's torque inside.
    """
    rows = rows[chosen]
    register.add(found.efficiency, ("drive efficiency",), "gain", rows, quantity=TORQUE)
    for nuisance, key, too_much in found.errors:
        register.add(
            nuisance, key, "offset", rows, quantity=TORQUE, coefficient=sign * too_much[chosen]
        )
