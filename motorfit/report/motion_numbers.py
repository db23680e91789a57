"""Inertia, slowing down, and amps all day, as rows of the first screen."""

from __future__ import annotations

from motorfit.errors import ProfileError
from motorfit.estimate import Estimate
from motorfit.machine.heating import ASSUMED_CLASS, PERMITTED_RISE
from motorfit.profile.dynamics import OVER_INERTIA
from motorfit.profile.model import Combination, MachineProfile
from motorfit.profile.prediction import Prediction
from motorfit.quantities import Stated, show_number
from motorfit.report.layout import WIDTH, cut_row
from motorfit.report.number_rows import number_row, value_row
from motorfit.unit_tables import RPM

#: Air that a continuous current is told for, as on rating plates. [degC]
AIR = 40.0

#: From SI to rpm in each second, by the term of the loss: at any speed; for each 1000 rpm;
#: at 1000 rpm.
_SLOWING = {
    OVER_INERTIA["coulomb_torque"]: ("slows each second by", 1.0 / RPM),
    OVER_INERTIA["viscous_coefficient"]: ("  more per 1000 rpm", 1000.0),
    OVER_INERTIA["windage_coefficient"]: ("  more by air, 1000 rpm", 1e6 * RPM),
}


def inertia_unit(value: float) -> tuple[float, str]:
    """A factor from kg m2, and the unit that makes an inertia easy to read.

    Examples
    --------
    >>> inertia_unit(6.1e-4), inertia_unit(2e-6)
    ((10000.0, 'kg cm2'), (10000000.0, 'g cm2'))
    """
    if value >= 1.0:
        return 1.0, "kg m2"
    return (1e4, "kg cm2") if value >= 1e-5 else (1e7, "g cm2")


def inertia_rows(profile: MachineProfile, stated: Stated | None = None) -> list[str]:
    """The moment of inertia, where it is known; as stated where no reading betters that."""
    known = profile.parameters["moment_of_inertia"]
    if not isinstance(known, Estimate):
        return []
    factor, unit = inertia_unit(known.value)
    row = number_row("inertia, to spin it up", known, factor=factor, unit=unit)
    if stated is not None and known.standing == "assumed":
        row = row.replace(known.standing, "as stated")
    return [row]


def starting_rows(profile: MachineProfile) -> list[str]:
    """The torque that starts it, over the mean of its positions, where it is known."""
    known = profile.parameters["breakaway_torque"]
    if not isinstance(known, Estimate):
        return []
    return [number_row("torque that starts it", known)]


def slowing_row(known: Combination) -> str:
    """How quickly it slows by itself, where loss is known over inertia only; else empty."""
    if known.of not in _SLOWING:
        return ""
    label, factor = _SLOWING[known.of]
    low, high = (factor * end for end in known.interval)
    return value_row(label, factor * known.value, (low, high), "rpm")


def amps_rows(profile: MachineProfile, level: float) -> list[str]:
    """The continuous current and what it rests on, where a heat run tells it."""
    try:
        current = profile.continuous_current(ambient=AIR)
    except ProfileError:
        return []
    low, high = (float(end) for end in current.interval(level))
    row = value_row(
        f"amps all day, {AIR:.0f} degC", float(current.value), (low, high), "A", _how(current)
    )
    at_rest = profile.continuous_current(ambient=AIR, speed=0.0)
    low, high = (float(end) for end in at_rest.interval(level))
    resting = f" (at rest {show_number(float(at_rest.value), (high - low) / 2)} A)"
    turning, rests_on = _turning(current), _rests_on(profile, current)
    told = [
        f"    {turning}{resting if turning.startswith('turning at') else ''}; {rests_on}",
        f"    {turning}; {rests_on}",
    ]
    return [row, cut_row(next((one for one in told if len(one) <= WIDTH), told[-1]))]


def _how(current: Prediction) -> str:
    if bool(current.extrapolated):
        return "beyond the test"
    unknown = any(one.startswith("insulation unknown") for one in current.assumed)
    return "class assumed" if unknown else "by heat run"


def _turning(current: Prediction) -> str:
    """Whether it counts the heat of turning: "turning at 2655 rpm"."""
    for one in current.assumed:
        if one.startswith("turning at"):
            return one.partition(",")[0]
        if one.startswith("heat of turning"):
            return one.partition(":")[0]
    return "at rest"


def _rests_on(profile: MachineProfile, current: Prediction) -> str:
    """Class and magnets, and whether they are assumed."""
    stated = profile.constants.insulation
    known = stated in PERMITTED_RISE
    magnets = any(one.startswith("magnets") for one in current.assumed)
    unknown = any(one.startswith("magnets unknown") for one in current.assumed)
    parts = [(f"class {stated if known else ASSUMED_CLASS}", known)]
    if magnets:
        parts.append(("magnets to 80 degC", not unknown))
    if not any(sure for _, sure in parts):
        return f"{', '.join(words for words, _ in parts)} assumed"
    return ", ".join(words if sure else f"{words} assumed" for words, sure in parts)
