"""The current over which the brush drop rises: what it is taken for, and its doubt."""

from __future__ import annotations

import numpy as np

from motorfit.estimation.circuit import at_machine
from motorfit.estimation.physics import brush_shape_doubts
from motorfit.estimation.register import Register
from motorfit.estimation.rows import CURRENT, VOLTAGE, Influence, Nuisance, Rows
from motorfit.instruments import standard_uncertainty

#: The brush drop has its full size well above this share of the largest current:
#: common practice, no source.
BRUSH_SCALE_SHARE = 0.01

#: The doubt of that current: no scatter, and no instrument's.
BRUSH_SCALE = "brush current scale"


def brush_current_scale(rows: Rows) -> float:
    """The current over which the brush drop rises, as a share of the largest one. [A]"""
    size = np.abs(rows.shown[:, CURRENT])
    through_load = np.abs(rows.shown[:, VOLTAGE]) / (rows.load + rows.load_extra)
    largest = float(np.max(np.maximum(size, through_load), initial=0.0))
    return BRUSH_SCALE_SHARE * largest if largest > 0 else 1.0


def add_brush_shape(rows: Rows, register: Register, scale: float) -> None:
    """Let the doubt of the brush current scale act on the brush drop of all rows alike.

    i0 is one number that nobody knows: its doubt is shared by all readings.

    Parameters
    ----------
    rows : Rows
        All of a bench.
    register : Register
        Receives the doubt.
    scale : float
        What it is taken for. [A]
    """
    nothing = Influence.none(len(rows), 0)
    current = at_machine(rows, nothing, np.zeros(0)).values[:, CURRENT]
    carrying = np.flatnonzero(rows.metered | np.isfinite(rows.load))
    doubt = Nuisance(
        quantity=BRUSH_SCALE, error="effect", deviation=standard_uncertainty(1.0).item()
    )
    for number, shape in enumerate(brush_shape_doubts(current, scale)):
        register.add(doubt, (BRUSH_SCALE, number), "brush", carrying, coefficient=shape[carrying])
