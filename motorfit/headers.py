"""Headers of columns: "speed (rpm)", "speed_rpm", "volts", and what they say."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass

from motorfit.units import EXAMPLES, Conversion, UnreadableError, si_unit, unit_conversion


@dataclass(frozen=True, slots=True)
class Header:
    """What the header of a column says.

    ``unit`` is empty and ``conversion`` leaves values alone where a column has no unit.
    """

    quantity: str
    unit: str
    conversion: Conversion
    text: str


#: Words for each quantity, besides its own name.
_WORDS: Mapping[str, tuple[str, ...]] = {
    "time": ("time", "elapsed", "elapsed time", "t"),
    "speed": (
        *("speed", "shaft speed", "rotor speed", "rotational speed", "speed of rotation"),
        *("tachometer", "tacho", "omega", "n", "w", "\N{GREEK SMALL LETTER OMEGA}"),
    ),
    "voltage": (
        *("voltage", "volt", "volts", "terminal voltage", "dc voltage", "voltage dc"),
        *("output voltage", "motor voltage", "emf", "u", "v"),
    ),
    "current": (
        *("current", "amp", "amps", "ampere", "amperes", "armature current", "load current"),
        *("motor current", "dc current", "current dc", "i"),
    ),
    "load": (
        *("load", "load resistance", "load resistor", "resistor", "resistance", "r load"),
        *("rload", "r"),
    ),
    "torque": ("torque", "shaft torque", "brake torque", "moment", "m"),
    "force": ("force", "scale", "scale reading", "balance", "spring balance", "pull", "f"),
    "arm": ("arm", "lever", "lever arm", "arm length", "torque arm"),
    "drive_power": ("drive power", "drive input", "drive input power", "drill power"),
    "position": ("position", "rotor position", "shaft position", "angle", "rotor angle"),
    "winding": (
        *("winding", "winding temperature", "winding temp", "temperature of winding"),
        *("temp of winding", "temperature winding", "temp winding", "t winding", "coil"),
        *("coil temperature", "armature temperature", "winding t"),
    ),
    "magnets": (
        *("magnets", "magnet", "magnet temperature", "magnets temperature", "magnet temp"),
        *("temperature of magnets", "temp of magnets", "t magnets"),
    ),
    "ambient": (
        *("ambient", "ambient temperature", "ambient temp", "room", "room temperature"),
        *("air", "air temperature", "t ambient"),
    ),
    "setting": ("setting", "set point", "setpoint"),
    "direction": ("direction", "dir"),
    "note": ("note", "notes", "remark", "remarks", "comment", "comments"),
    "exclude": ("exclude", "excluded", "leave out"),
}

_QUANTITY = {word: quantity for quantity, words in _WORDS.items() for word in words}

#: Units that stand alone as a header: what they measure is not in doubt.
_BARE: Mapping[str, tuple[str, str]] = {
    **dict.fromkeys(("rpm", "r/min", "rev/min", "1/min", "rad/s", "hz"), ("speed", "")),
    **dict.fromkeys(("volts", "volt", "millivolts"), ("voltage", "")),
    **dict.fromkeys(("amps", "amp", "amperes", "ampere", "milliamps"), ("current", "")),
    **dict.fromkeys(("ohms", "ohm", "\N{GREEK SMALL LETTER OMEGA}m"), ("load", "")),
    **dict.fromkeys(("seconds", "second", "sec", "minutes"), ("time", "")),
    **dict.fromkeys(("n m", "mn m", "newton metres"), ("torque", "")),
    **dict.fromkeys(("newtons", "newton"), ("force", "")),
}
#: The same, where upper and lower case differ.
_BARE_SYMBOLS: Mapping[str, str] = {
    **dict.fromkeys(("V", "mV"), "voltage"),
    **dict.fromkeys(("A", "mA"), "current"),
    **dict.fromkeys(("\N{GREEK CAPITAL LETTER OMEGA}", "\N{OHM SIGN}"), "load"),
    **dict.fromkeys(("s", "ms", "min"), "time"),
    **dict.fromkeys(("Nm", "mNm", "N\N{MIDDLE DOT}m", "N*m"), "torque"),
}

_REMARKS = frozenset({"setting", "direction", "note", "exclude"})
_AS_IT_IS = Conversion(1.0)
_BRACKETS = re.compile(r"(?P<name>[^(\[{]*)[(\[{](?P<unit>.*)[)\]}]")


def read_header(text: str) -> Header:
    """What the header of a column says.

    Parameters
    ----------
    text : str
        "speed (rpm)", "speed [rpm]", "speed_rpm", "Speed rpm", "speed / rpm", or a bare
        "rpm", "volts", "amps", "ohms", "seconds".

    Returns
    -------
    Header

    Raises
    ------
    UnreadableError
        If the quantity is not known, or has no unit or a wrong one.

    Examples
    --------
    >>> read_header("voltage_mV").conversion.factor
    0.001
    >>> read_header("rpm").quantity
    'speed'
    """
    plain = re.sub(r"\s+", " ", text.strip().strip("\"'\ufeff")).strip()
    plain = re.sub(r"^[(\[{]([^()\[\]{}]*)[)\]}]$", r"\1", plain).strip()  # "(rpm)"
    name, unit = _parts(plain)
    if name is None:
        quantity = _bare(plain)
        if quantity is None:
            raise _unknown(plain)
        return Header(quantity, plain, unit_conversion(plain, quantity), text)
    quantity = _quantity(name, unit, plain)
    if quantity in _REMARKS:
        return Header(quantity, "", _AS_IT_IS, text)
    if not unit and quantity == "position":
        unit = "deg"  # marks on a disc; a bare number is a position in degrees
    if not unit:
        raise _no_unit(plain, quantity)
    return Header(quantity, unit, unit_conversion(unit, quantity), text)


def _words(name: str) -> str:
    return re.sub(r"[\s_.,:-]+", " ", name).strip().lower()


def _parts(plain: str) -> tuple[str | None, str]:
    """Name and unit; no name where the whole is a unit or nothing known."""
    brackets = _BRACKETS.fullmatch(plain)
    if brackets:
        return brackets["name"], brackets["unit"].strip()
    if _bare(plain):
        return None, ""
    if _words(plain) in _QUANTITY:
        return plain, ""
    pieces = re.split(r"([\s_,:]+|/)", plain)
    for end in range(len(pieces) - 2, 0, -2):  # the longest name first
        name, unit = "".join(pieces[:end]), "".join(pieces[end + 1 :])
        if _words(name) in _QUANTITY and unit:
            return name, unit.replace("_", " ").strip()
    return None, ""


def _bare(plain: str) -> str | None:
    if plain in _BARE_SYMBOLS:
        return _BARE_SYMBOLS[plain]
    return _BARE.get(plain.lower(), (None, ""))[0]


def _quantity(name: str, unit: str, plain: str) -> str:
    words = _words(name)
    if name.strip() == "T" and unit:  # a time, a torque or a temperature: the unit tells
        return _meant_by_t(unit, plain)
    if words not in _QUANTITY:
        raise _unknown(plain, words)
    return _QUANTITY[words]


def _meant_by_t(unit: str, plain: str) -> str:
    for quantity in ("time", "torque"):
        try:
            unit_conversion(unit, quantity)
        except UnreadableError:
            continue
        return quantity
    raise _unknown(plain, "temperature")


def _unknown(plain: str, words: str | None = None) -> UnreadableError:
    words = _words(plain) if words is None else words
    shown = plain if len(plain) <= 60 else plain[:57] + "..."
    if not plain:
        return UnreadableError(
            found="a column without a header",
            expected='a header such as "speed (rpm)"',
            remedy="Write what the column holds, with its unit, or empty the column.",
        )
    if words.split(" ")[0] in ("temp", "temperature", "degc", "c", "deg"):
        return UnreadableError(
            found=f'"{shown}"',
            expected="whose temperature it is",
            remedy='Write "winding (degC)", "magnets (degC)" or "ambient (degC)".',
        )
    if "resistance" in words and ("winding" in words or "armature" in words):
        return UnreadableError(
            found=f'"{shown}"',
            expected="the voltage and the current that give the resistance",
            remedy='Write "voltage (V)" and "current (A)" in a sheet whose name begins with '
            '"resistance".',
        )
    if words == "power" or words.startswith("power "):
        return UnreadableError(
            found=f'"{shown}"',
            expected="whose power it is",
            remedy='Write "drive_power (W)" for what the drive takes; electrical power is '
            "not needed beside voltage and current.",
        )
    long_words = [word for word in _QUANTITY if len(word) > 2]
    near = [
        word
        for part in (words, *words.split(" "))
        for word in difflib.get_close_matches(part, long_words, n=1, cutoff=0.7)
    ]
    known = "time, speed, voltage, current, load, torque, force, arm, drive_power, position"
    return UnreadableError(
        found=f'"{shown}"',
        expected=f"one of the columns {known}, winding, magnets, ambient, "
        "setting, direction, note, exclude",
        remedy=f'Did you mean "{_example(_QUANTITY[near[0]])}"?'
        if near
        else 'Rename it, or begin the header with "note" to keep it as a remark.',
    )


def _no_unit(plain: str, quantity: str) -> UnreadableError:
    return UnreadableError(
        found=f'"{plain}" without a unit',
        expected="the unit in the header",
        remedy=f'Write the unit in the header, such as "{_example(quantity)}".',
    )


def _example(quantity: str) -> str:
    if quantity in _REMARKS:
        return quantity
    unit = EXAMPLES[si_unit(quantity)].split(" ", 1)[-1]
    return f"{quantity} ({unit})"
