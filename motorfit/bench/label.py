"""What the label says of volts per speed, as far as it can be told without a fit."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from motorfit.quantities import UnreadableError, read_number, read_quantity
from motorfit.units import size_in_si

#: A motor at its rated point runs at some 0.6 to 1.0 of rated voltage over constant; the
#: middle of that, and how far a constant may be off for that reason alone.
_LOADED_SHARE, _LOADED_WITHIN = 0.85, 1.25
_FREE_SHARE, _FREE_WITHIN = 0.97, 1.15
_DIRECT_WITHIN = 1.15


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelConstant:
    """An EMF constant that follows from the label."""

    value: float  # [V s/rad]
    within: float  # a factor by which it may be off without anything being wrong
    text: str  # what on the label it is from


def label_constants(claims: Mapping[str, str]) -> Iterator[LabelConstant]:
    """The EMF constants that follow from a label, the most direct first.

    Parameters
    ----------
    claims : mapping of str to str
        ``[claims]``: emf_constant, voltage_constant, torque_constant, speed_constant; or
        rated_voltage with no_load_speed or rated_speed. What cannot be read is left out.
    """
    for name in ("emf_constant", "voltage_constant", "torque_constant"):
        value = _read(claims, name, "emf_constant")
        if value:
            yield LabelConstant(value=value, within=_DIRECT_WITHIN, text=claims[name])
    value = _speed_constant(claims.get("speed_constant", ""))
    if value:
        yield LabelConstant(value=value, within=_DIRECT_WITHIN, text=claims["speed_constant"])
    voltage = _read(claims, "rated_voltage", "voltage")
    for name, share, within in (
        ("no_load_speed", _FREE_SHARE, _FREE_WITHIN),
        ("rated_speed", _LOADED_SHARE, _LOADED_WITHIN),
    ):
        speed = _read(claims, name, "speed")
        if voltage and speed:
            text = f"{claims['rated_voltage']} at {claims[name]}"
            yield LabelConstant(value=share * voltage / speed, within=within, text=text)


def _read(claims: Mapping[str, str], name: str, dimension: str) -> float | None:
    """A positive quantity of the label; None where there is none that can be read."""
    if name not in claims:
        return None
    try:
        value = read_quantity(claims[name], dimension).value
    except UnreadableError:
        return None
    return value if value > 0 else None


def _speed_constant(text: str) -> float | None:
    """The EMF constant behind "150 rpm/V"; None where it is no such thing."""
    match = re.fullmatch(r"\s*([\d.,]+)\s*(\D.*)", text)
    if not match:
        return None
    try:
        speed_a_volt = read_number(match[1]) * size_in_si(match[2])
    except UnreadableError:
        return None
    return 1.0 / speed_a_volt if speed_a_volt > 0 else None
