"""Suspicions of a winding that warms, and of curves that the machine's equations lack."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.estimation.ground import Ground, Suspicion
from motorfit.estimation.physics import K, R

#: A winding does not get warmer than this without smoke [K], nor an EMF bend more.
_MOST_WARMTH = 150.0
_MOST_BENT = 0.5

#: Speeds that vary by less than this factor tell no curve.
_SPAN = 1.3

#: An EMF that rises with the current comes after all else, by this log of odds.
_ODD = -3.0


def heating(ground: Ground) -> Iterator[Suspicion]:
    """A winding that warms while it carries current, in kelvin where it is warmest."""
    per_kelvin = ground.full[R] / (ground.thermal.winding_constant + ground.thermal.reference)
    for sheet in filter(lambda each: each.read, ground.sheets):
        run, rows = sheet.run, sheet.rows
        if run.kind in ("open-circuit", "no-load-motor") or "winding" in run.readings:
            continue
        square = ground.current[rows] ** 2
        for shape, warmth in (("heating", square), ("heating-in-order", np.cumsum(square))):
            if not (square > 0).any():
                continue
            risen = warmth / np.max(warmth)
            yield Suspicion(
                family="heating",
                shape=shape,
                file=sheet.name,
                rows=rows,
                direction=ground.direction(rows, voltage=per_kelvin * ground.per_ohm[rows] * risen),
                positive=True,
                most=_MOST_WARMTH,
            )


def curves(ground: Ground) -> Iterator[Suspicion]:
    """Curvature with current, as a share of the EMF a ampere, and with speed."""
    yield from _with_current(ground)
    yield from _with_speed(ground)


def _with_current(ground: Ground) -> Iterator[Suspicion]:
    """An EMF that falls or rises with the current: armature reaction, a belt that slips."""
    emf, current = ground.full[K] * ground.speed, ground.current
    size = np.abs(current)
    carrying = np.flatnonzero(ground.rows.turning & ground.carrying)
    if not len(carrying):
        return
    weaker = ground.direction(
        carrying,
        voltage=-(emf * size)[carrying],
        torque=-ground.full[K] * (size * current)[carrying],
    )
    for shape, direction, prior in (
        ("reaction", weaker, 0.0),
        ("reverse-reaction", -weaker, _ODD),
    ):
        yield Suspicion(
            family="curve",
            shape=shape,
            file="",
            rows=carrying,
            direction=direction,
            positive=True,
            most=_MOST_BENT / float(np.max(size[carrying], initial=1e-9)),
            prior=prior,
        )


def _with_speed(ground: Ground) -> Iterator[Suspicion]:
    """A voltage that does not rise in proportion to the speed; a loss that bends: windage."""
    emf, speed = ground.full[K] * ground.speed, np.abs(ground.speed)
    braked = np.flatnonzero(ground.present[:, 1] & ground.rows.turning)
    turning = np.flatnonzero(ground.rows.turning)
    if _varied(speed[turning]):
        top = float(np.max(speed))
        yield Suspicion(
            family="curve",
            shape="speed-curve",
            file="",
            rows=turning,
            direction=ground.direction(turning, voltage=(emf * speed / top)[turning]),
            most=_MOST_BENT,
        )
    if _varied(speed[braked]):
        yield Suspicion(
            family="curve",
            shape="windage",
            file="",
            rows=braked,
            direction=ground.direction(braked, torque=-(speed[braked] ** 2)),
        )


def _varied(speed: FloatArray) -> bool:
    """Whether speeds differ enough for a curve; a held rotor counts as none."""
    turning = speed[speed > 0]
    return len(turning) > 0 and bool(np.max(turning) > _SPAN * np.min(turning))


def torque_constant(ground: Ground) -> Iterator[Suspicion]:
    """Newton metres per ampere that are not the volts per rad/s, relative.

    Runs by itself tell the loss by the same newton metres per ampere: left out, their loss
    would not be that of the rows whose torque was read.
    """
    if not len(ground.measured_torque()):
        return
    rows = np.flatnonzero(ground.present[:, 1] & ground.rows.turning)
    yield Suspicion(
        family="torque",
        shape="torque-constant",
        file="",
        rows=rows,
        direction=ground.direction(rows, torque=ground.full[K] * ground.current[rows]),
    )
