"""How much of a fault the residuals of a bench can show."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from motorfit.bench.records import Bench
from motorfit.estimation.assemble import assemble
from motorfit.estimation.joint import Joint


def noncentrality(clean: Joint, faulty: Bench) -> float:
    r"""Size of a fault in standard deviations, as far as nothing absorbs it.

    .. math:: \sqrt{\delta^\mathsf{T} P\, \delta}

    with :math:`\delta` the change that the fault makes to the condition equations and P
    the projection of the clean fit, in which parameters, instruments and everything else
    with a prior absorb what they can.

    Parameters
    ----------
    clean : Joint
        The fit of the bench without the fault, from `motorfit.estimation.joint.fit_jointly`.
    faulty : Bench
        The same bench with the fault in it: the same rows, other readings.

    Returns
    -------
    float
        Zero for a fault that no residual can show.

    Raises
    ------
    ValueError
        If the faulty bench has other rows or other condition equations.
    """
    conditions = clean.problem.conditions
    rows = assemble(faulty).rows
    present = conditions.present
    if rows.present.shape != present.shape or not np.array_equal(rows.present, present):
        raise ValueError("faulty must have the rows and columns of the clean bench")
    # everything but the readings stays: the instruments' errors are those of the clean fit
    changed = replace(
        conditions.rows,
        shown=rows.shown,
        metered=rows.metered,
        load=rows.load,
        load_extra=rows.load_extra,
    )
    theta = clean.solution.theta
    after = conditions.with_rows(changed).linearise(theta).residual[present]
    delta = after - conditions.linearise(theta).residual[present]
    square = float(delta @ clean.projected.projection @ delta)
    return math.sqrt(max(0.0, square))
