"""Where a machine is asked about, and whether it was tested there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import ArrayLike

from motorfit.arrays import BoolArray, FloatArray
from motorfit.errors import ProfileError
from motorfit.machine.temperature import magnet_factor, winding_factor
from motorfit.profile.parts import Range

if TYPE_CHECKING:
    from motorfit.profile.model import MachineProfile


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Point:
    """Where the machine is to run; arrays broadcast together, SI."""

    speed: FloatArray
    given: Literal["current", "load", "voltage", "nothing"]
    value: FloatArray  # of what is given
    winding_factor: FloatArray
    magnet_factor: FloatArray


def operating_point(
    profile: MachineProfile,
    settles: bool,
    speed: ArrayLike,
    current: ArrayLike | None,
    load: ArrayLike | None,
    voltage: ArrayLike | None,
    winding: ArrayLike | None,
    magnets: ArrayLike | None,
) -> Point:
    """Check what is asked and bring it to one shape.

    Parameters
    ----------
    profile : MachineProfile
        Tells how the temperatures act.
    settles : bool
        Whether a current has to be given or found; else a speed is enough.
    speed, current, load, voltage, winding, magnets
        As for `motorfit.profile.prediction.predict`.

    Raises
    ------
    ProfileError
        If the magnets' temperature is given and what they are made of is not known.
    ValueError
        If not exactly one of current, load and voltage is given, or one is out of bounds.
    """
    options = {"current": current, "load": load, "voltage": voltage}
    given = [name for name, value in options.items() if value is not None]
    if not settles:
        given, options = ["nothing"], {"nothing": 0.0}
    if len(given) != 1:
        found = " and ".join(given) or "none"
        raise ValueError(f"give exactly one of current, load and voltage, found {found}")
    heat = winding_factor(
        profile.reference_temperature if winding is None else winding,
        profile.reference_temperature,
        profile.constants.winding_constant,
    )
    arrays = np.broadcast_arrays(
        np.asarray(speed, float),
        np.asarray(options[given[0]], float),
        np.asarray(heat, float),
        _magnet_factor(profile, magnets),
    )
    if np.any(arrays[0] < 0):
        raise ValueError("speed must be zero or positive: a profile tells of one direction")
    if given == ["load"] and np.any(arrays[1] <= 0):
        raise ValueError("load must be positive; infinite stands for nothing connected")
    return Point(
        speed=arrays[0],
        given=given[0],  # type: ignore[arg-type]
        value=arrays[1],
        winding_factor=arrays[2],
        magnet_factor=arrays[3],
    )


def _magnet_factor(profile: MachineProfile, magnets: ArrayLike | None) -> FloatArray:
    if magnets is None:
        return np.ones(())
    coefficient = profile.constants.magnet_coefficient
    if coefficient is None:
        raise ProfileError(
            "The magnets' temperature cannot be used: this profile does not say what the magnets "
            "are made of, so nobody knows how the EMF constant follows it. Set [machine] magnet "
            'to "ferrite" or "neodymium" in machine.toml and fit again, or leave magnets out.'
        )
    return magnet_factor(magnets, profile.reference_temperature, coefficient)


def outside_range(
    profile: MachineProfile, point: Point, amperes: FloatArray, winding: ArrayLike | None
) -> BoolArray:
    """Which points lie outside what was tested; the reference temperature lies inside.

    Parameters
    ----------
    profile : MachineProfile
        Its range tells what was tested.
    point : Point
        Where the machine is to run.
    amperes : ndarray
        The current there, with a leading axis of variations where it settles. [A]
    winding : array_like, optional
        Winding temperature that was asked for. [degC]

    Returns
    -------
    ndarray of bool
        Of the points' shape.
    """
    tested: Range = profile.range
    outside = _beyond(point.speed, tested.speed)
    if point.given == "nothing":
        return outside
    settled = amperes if point.given == "current" else amperes[0]
    outside = outside | _beyond(np.abs(settled), tested.current)
    if winding is not None:
        reference = profile.reference_temperature
        low, high = min(tested.winding[0], reference), max(tested.winding[1], reference)
        heated = _beyond(np.asarray(winding, float), (low, high))
        outside = outside | (heated & (settled != 0))  # without current it does not matter
    return np.asarray(np.broadcast_to(outside, point.speed.shape))


def _beyond(values: FloatArray, tested: tuple[float, float]) -> BoolArray:
    low, high = tested
    slack = 1e-6 * max(abs(low), abs(high))  # rounding of units is no extrapolation
    return np.asarray((values < low - slack) | (values > high + slack))
