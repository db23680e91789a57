"""What a fit tells of each coast-down."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from motorfit.estimation.coast_logs import CoastLog
from motorfit.estimation.effects import COAST_FRICTION
from motorfit.estimation.joint import Joint
from motorfit.estimation.retardation import Retardation


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CoastDown:
    """One log of a coasting machine, what it was reduced to, and how hard it turned then."""

    file: str
    quantity: Literal["speed", "voltage"]  # whose rate of falling counts
    loaded: bool  # a resistor was connected
    retardation: Retardation | None  # None where nothing could be had
    problem: str  # why nothing could be had; empty where something could
    friction: float | None  # loss of this run over that of the machine, less one


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
    return tuple(
        CoastDown(
            file=log.run.source.name,
            quantity=log.quantity,
            loaded=is_loaded(log),
            retardation=None if log.problem else log.retardation,
            problem=log.problem,
            friction=_friction(log.run.source.name, joint),
        )
        for log in logs
    )


def is_loaded(log: CoastLog) -> bool:
    """Whether a resistor was across the machine, or a current was read."""
    return "load" in log.run.readings or bool(np.any(np.abs(log.run.get("current")) > 0))


def _friction(file: str, joint: Joint) -> float | None:
    """What the fit makes of this run's friction, relative to the mean of all."""
    assembled = joint.problem.assembled
    rows = np.flatnonzero(np.array(assembled.rows.file, dtype=object) == file)
    rows = rows[assembled.rows.coasting[rows]]
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
