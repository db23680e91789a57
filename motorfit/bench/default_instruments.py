"""What is taken of an instrument that nobody described: a plain handheld kit."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from motorfit.meter import Accuracy, Instrument
from motorfit.unit_tables import RPM

#: Accuracy of a plain handheld kit. Common practice, no source.
HANDHELD: Mapping[str, tuple[str, Accuracy]] = {
    "voltage": ("a plain handheld meter", Accuracy(relative=0.01, digits=2, text="1 % + 2 digits")),
    "current": ("a plain handheld meter", Accuracy(relative=0.02, digits=3, text="2 % + 3 digits")),
    "speed": ("a plain tachometer", Accuracy(relative=0.005, digits=1, text="0.5 % + 1 digit")),
    "load": ("plain power resistors", Accuracy(relative=0.05, text="5 %")),
    "torque": ("a plain torque meter", Accuracy(relative=0.03, text="3 %")),
    "force": ("a plain scale", Accuracy(relative=0.01, digits=1, text="1 % + 1 digit")),
    "arm": ("a ruler", Accuracy(relative=0.01, text="1 %")),
    "drive_power": ("a plain power meter", Accuracy(relative=0.05, text="5 %")),
    "winding": ("a plain thermometer", Accuracy(absolute=2.0, text="2 K")),
    "magnets": ("a plain thermometer", Accuracy(absolute=2.0, text="2 K")),
    "ambient": ("a plain thermometer", Accuracy(absolute=2.0, text="2 K")),
    "time": ("a watch", Accuracy(relative=0.001, text="0.1 %")),
}

#: SI size of a displayed unit, where that is not the SI unit.
_DISPLAY_FACTOR = {"speed": RPM}


def default_instrument(quantity: str) -> Instrument:
    """A plain handheld instrument.

    Its step is taken from the digits written in the sheet.

    Examples
    --------
    >>> default_instrument("voltage").accuracy.text
    '1 % + 2 digits'
    """
    return Instrument(
        quantity=quantity,
        id="",
        accuracy=HANDHELD[quantity][1],
        display_factor=_DISPLAY_FACTOR.get(quantity, 1.0),
        assumed=True,
    )


def with_defaults(
    stated: Mapping[tuple[str, str], Instrument],
) -> dict[tuple[str, str], Instrument]:
    """The stated instruments, and a plain one for every quantity without any."""
    plain = {(quantity, ""): default_instrument(quantity) for quantity in HANDHELD}
    return {**plain, **stated}


def assumptions(
    instruments: Mapping[tuple[str, str], Instrument], used: Iterable[tuple[str, str]]
) -> tuple[str, ...]:
    """A sentence for each used instrument whose accuracy nobody stated.

    Parameters
    ----------
    instruments : mapping
        By quantity and meter.
    used : iterable of tuple of str
        Quantity and meter of the columns that were read.

    Returns
    -------
    tuple of str

    Examples
    --------
    >>> assumptions(with_defaults({}), [("voltage", "")])
    ('voltage: a plain handheld meter, 1 % + 2 digits',)
    """
    sentences: dict[str, None] = {}  # keeps the order
    for key in used:
        if key not in instruments:
            continue
        instrument, (quantity, meter) = instruments[key], key
        name = quantity.replace("_", " ") + (f" {meter}" if meter else "")
        if instrument.assumed:
            sentences[f"{name}: {HANDHELD[quantity][0]}, {instrument.accuracy.text}"] = None
        elif instrument.accuracy.text.startswith("unknown"):
            sentences[f"{name}: accuracy {instrument.accuracy.text}"] = None
    return tuple(sentences)


def displayed_in(instrument: Instrument, factor: float) -> Instrument:
    """The instrument as it shows a unit of that SI size, which its ranges go by."""
    return replace(instrument, display_factor=factor)
