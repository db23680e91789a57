"""How warm a winding and magnets may be: thermal classes and what is assumed."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from motorfit.arrays import FloatArray
from motorfit.machine.warming import Bodies, TwoBodies

#: Temperature of the air that permitted rises are stated for. [degC]
COOLANT = 40.0

#: Permitted average rise of the winding by resistance over air of 40 degC. [K]
#: 130, 155 and 180: IEC 60034-1, armature windings with a commutator. 105 and 120: an
#: assumption, class temperature less 40 K less 10 K for the hottest spot.
PERMITTED_RISE = {"105": 55.0, "120": 70.0, "130": 80.0, "155": 105.0, "180": 125.0}

#: Classes whose permitted rise is the standard's; of the others it is an assumption.
STANDARD_CLASSES = ("130", "155", "180")

#: What is assumed of a winding whose insulation nobody knows.
ASSUMED_CLASS = "105"

#: Temperature that magnets may reach, from memory: neodymium of unknown grade. Ferrite has
#: no limit that matters here: the winding's comes first. [degC]
MAGNET_LIMIT = {"neodymium": 80.0}


def permitted_rise(insulation: str, ambient: ArrayLike = COOLANT) -> FloatArray:
    """Average rise by resistance that a thermal class permits in air of some temperature.

    What the insulation bears is a temperature: in cooler air the rise may be larger by the
    difference to 40 degC, in hotter air it must be smaller. Air below 0 degC counts as
    0 degC.

    Parameters
    ----------
    insulation : str
        A key of `PERMITTED_RISE`.
    ambient : array_like
        Of the air. [degC]

    Returns
    -------
    ndarray
        Never negative. [K]

    Raises
    ------
    ValueError
        If ``insulation`` is no class of `PERMITTED_RISE`.

    References
    ----------
    .. [1] IEC 60034-1, limits of temperature rise and their adjustment for the temperature
       of the coolant (from memory).

    Examples
    --------
    >>> permitted_rise("130", [40.0, 25.0, 60.0])
    array([80., 95., 60.])
    """
    if insulation not in PERMITTED_RISE:
        known = ", ".join(PERMITTED_RISE)
        raise ValueError(f"insulation must be one of {known}, found {insulation!r}")
    air = np.maximum(np.asarray(ambient, float), 0.0)
    return np.asarray(np.maximum(PERMITTED_RISE[insulation] + COOLANT - air, 0.0))


def limiting_rise(
    permitted: ArrayLike, ambient: ArrayLike, magnet_limit: ArrayLike, bodies: Bodies
) -> FloatArray:
    """Rise of the winding at which it, or the magnets, are as hot as they may be for long.

    Magnets are taken to be as hot as the winding, unless two bodies tell better: then as
    hot as the frame that they sit on.

    Parameters
    ----------
    permitted : array_like
        Of the winding. [K]
    ambient : array_like
        Of the air. [degC]
    magnet_limit : array_like
        Temperature that the magnets may reach, infinite where it does not matter. [degC]
    bodies : OneBody or TwoBodies
        How the heat goes.

    Returns
    -------
    ndarray
        Never negative. [K]

    Examples
    --------
    >>> from motorfit.machine.warming import OneBody
    >>> one = OneBody(thermal_resistance=3.0, time_constant=900.0)
    >>> limiting_rise(55.0, 40.0, 80.0, one).item()
    40.0
    >>> two = TwoBodies(winding_to_frame=1.0, winding_time_constant=60.0,
    ...                 frame_to_air=2.0, frame_time_constant=1200.0)
    >>> limiting_rise(55.0, 40.0, 80.0, two).item()
    55.0
    """
    share = bodies.frame_share if isinstance(bodies, TwoBodies) else 1.0
    magnets = (np.asarray(magnet_limit, float) - np.asarray(ambient, float)) / share
    return np.asarray(np.maximum(np.minimum(np.asarray(permitted, float), magnets), 0.0))
