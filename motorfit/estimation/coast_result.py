"""What a fit tells of each coast-down."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from motorfit.arrays import FloatArray, IntArray
from motorfit.estimation.coast_logs import CoastLog
from motorfit.estimation.effects import COAST_FRICTION
from motorfit.estimation.joint import Joint
from motorfit.estimation.physics import J
from motorfit.estimation.retardation import Retardation
from motorfit.estimation.rows import SPEED
from motorfit.machine.brushed import loss_torque


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CoastDown:
    """One log of a coasting machine, what it was reduced to, and how hard it turned then."""

    file: str
    quantity: Literal["speed", "voltage"]  # whose rate of falling counts
    loaded: bool  # a resistor was connected
    retardation: Retardation | None  # without rates, or None, where nothing could be had
    problem: str  # why nothing could be had; empty where something could
    friction: float | None  # loss of this run over that of the machine, less one
    speed: FloatArray | None = None  # where its rates are known [rad/s]
    loss: FloatArray | None = None  # torque that they tell there; None without inertia [N m]


def coast_downs(logs: tuple[CoastLog, ...], joint: Joint) -> tuple[CoastDown, ...]:
    """What became of the logs of a bench.

    Parameters
    ----------
    logs : tuple of CoastLog
        As they were reduced.
    joint : Joint
        The fit that they are part of.

    Returns
    -------
    tuple of CoastDown
        In the order of the logs.
    """
    return tuple(_coast_down(log, joint) for log in logs)


def _coast_down(log: CoastLog, joint: Joint) -> CoastDown:
    friction = _friction(log.run.source.name, joint)
    speed, loss = _loss(log.run.source.name, joint, friction or 0.0)
    return CoastDown(
        file=log.run.source.name,
        quantity=log.quantity,
        loaded=is_loaded(log),
        retardation=log.retardation,
        problem=log.problem,
        friction=friction,
        speed=speed,
        loss=loss,
    )


def is_loaded(log: CoastLog) -> bool:
    """Whether a resistor was across the machine, or a current was read."""
    return "load" in log.run.readings or bool(np.any(np.abs(log.run.get("current")) > 0))


def _rows(file: str, joint: Joint) -> IntArray:
    """Where the rates of a log are among the rows of the fit."""
    rows = joint.problem.assembled.rows
    return np.flatnonzero((np.array(rows.file, dtype=object) == file) & rows.coasting)


def _loss(
    file: str, joint: Joint, friction: float
) -> tuple[FloatArray, FloatArray] | tuple[None, None]:
    r"""Speeds of a log's rates and the loss torque there, :math:`k i - J \dot\omega`.

    Errors of the instruments are taken off as the fit has them. A speed that was not read is
    the one that satisfies the voltage equation.
    """
    rows, problem = _rows(file, joint), joint.problem
    if not len(rows) or J not in problem.free or not joint.standing.known[problem.free.index(J)]:
        return None, None
    at = joint.solution.linearised
    volts, torque = at.residual[rows].T
    by_speed = at.sensitivity[rows, :, SPEED]
    shift = np.divide(-volts, by_speed[:, 0], out=np.zeros(len(rows)), where=by_speed[:, 0] != 0)
    speed = problem.conditions.nominal.values[rows, SPEED] + shift
    machine = problem.conditions.machine(problem.conditions.full(joint.solution.theta))
    loss = (1.0 + friction) * loss_torque(machine, speed)
    return speed, np.asarray(loss - torque - by_speed[:, 1] * shift)


def _friction(file: str, joint: Joint) -> float | None:
    """What the fit makes of this run's friction, relative to the mean of all."""
    assembled = joint.problem.assembled
    rows = _rows(file, joint)
    if not len(rows):
        return None
    shares = assembled.influence.loss[rows[0]]
    machine = len(joint.problem.free)
    found = [
        shares[place] * joint.solution.theta[machine + place]
        for place in np.flatnonzero(shares)
        if assembled.nuisances[place].quantity == COAST_FRICTION
    ]
    return float(sum(found)) if found else None
