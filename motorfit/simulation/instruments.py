"""Virtual meters: what is printed on them, and how they scatter from reading to reading."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

from motorfit.meter import Accuracy, Calibration, Instrument
from motorfit.unit_tables import RPM
from motorfit.units import usual_unit


@dataclass(frozen=True, slots=True, kw_only=True)
class VirtualMeter:
    """One meter of the virtual bench.

    Its gain and offset are the same for every reading of one range, drawn within the
    stated accuracy unless given here.

    Parameters
    ----------
    stated : Instrument
        What is printed on it. Needs ``counts`` or ``resolution``, except for a resistor.
    repeatability : float
        Standard deviation from reading to reading, relative to the reading.
    noise : float
        The same as an absolute part. [SI]
    gain, offset : float, optional
        The errors it has, in place of drawn ones. [1], [SI]
    """

    stated: Instrument
    repeatability: float = 0.0
    noise: float = 0.0
    gain: float | None = None
    offset: float | None = None

    def __post_init__(self) -> None:
        shows = self.stated.counts is not None or self.stated.resolution is not None
        if self.stated.quantity != "load" and not shows:
            raise ValueError(f"a virtual {self.stated.quantity} meter needs counts or resolution")


@dataclass(frozen=True, slots=True, kw_only=True)
class VirtualKit:
    """The meters and resistors of the virtual bench.

    Parameters
    ----------
    meters : mapping of str to VirtualMeter
        By quantity: voltage, current, speed, torque, force, arm, drive_power, winding,
        ambient, time, and load for the resistors, each of which has a gain error of its own.
    leads : float
        Between the machine and the voltmeter. [ohm]
    draw : {"rectangular", "normal"}
        How gains, offsets and the winding's temperature are drawn: within the stated
        half-width, or with the same standard deviation, half-width / sqrt(3).
    """

    meters: Mapping[str, VirtualMeter] = field(default_factory=lambda: handheld_meters())
    leads: float = 0.0
    draw: Literal["rectangular", "normal"] = "rectangular"

    def meter(self, quantity: str) -> VirtualMeter:
        """The meter of ``quantity``.

        Raises
        ------
        ValueError
            If the kit has none.
        """
        if quantity not in self.meters:
            raise ValueError(f"the kit has no meter for {quantity}")
        return self.meters[quantity]


def virtual_kit(instruments: Mapping[tuple[str, str], Instrument], *, leads: float) -> VirtualKit:
    """A virtual kit of the instruments that a ``kit.toml`` states.

    What it leaves open, a display with neither counts nor resolution and how far readings
    scatter, is as of the plain handheld meters.

    Parameters
    ----------
    instruments : mapping
        By quantity and meter; the default meters are used.
    leads : float
        [ohm]

    Returns
    -------
    VirtualKit
    """
    meters = handheld_meters()
    for quantity, plain in meters.items():
        stated = instruments.get((quantity, ""))
        if stated is None or stated.assumed:
            continue
        if stated.counts is None and stated.resolution is None:
            display = plain.stated
            stated = replace(stated, counts=display.counts, resolution=display.resolution)
        meters[quantity] = replace(plain, stated=stated)
    return VirtualKit(meters=meters, leads=leads)


def virtual_meter(
    quantity: str,
    name: str,
    *,
    percent: float = 0.0,
    digits: float = 0.0,
    absolute: float = 0.0,
    counts: int | None = None,
    resolution: float | None = None,
    display_factor: float = 1.0,
    input_resistance: float | None = None,
    burden: float = 0.0,
    calibration: Calibration | None = None,
    repeatability: float = 0.0,
    noise: float = 0.0,
) -> VirtualMeter:
    """A virtual meter from the numbers in its manual.

    Parameters
    ----------
    quantity, name : str
        What it measures, and which meter it is.
    percent, digits, absolute : float
        Half-width of the stated accuracy: of the reading [%], of the last digit, and fixed
        in the displayed unit.
    counts, resolution, display_factor, input_resistance, burden, calibration
        As in `motorfit.meter.Instrument`.
    repeatability, noise
        As in `VirtualMeter`.

    Returns
    -------
    VirtualMeter

    Examples
    --------
    >>> meter = virtual_meter("voltage", "meter A", percent=0.5, digits=2, counts=4000)
    >>> meter.stated.accuracy.text
    '0.5 % + 2 digits'
    """
    parts = []
    if percent:
        parts.append(f"{percent:g} %")
    if digits:
        parts.append(f"{digits:g} digit" + ("" if digits == 1 else "s"))
    if absolute:
        parts.append(f"{absolute:g} {usual_unit(quantity, display_factor)}")
    accuracy = Accuracy(
        relative=percent / 100,
        digits=digits,
        absolute=absolute * display_factor,
        text=" + ".join(parts) or "0 %",
    )
    stated = Instrument(
        quantity=quantity,
        id=name,
        accuracy=accuracy,
        counts=counts,
        resolution=resolution,
        display_factor=display_factor,
        input_resistance=input_resistance,
        burden=burden,
        calibration=calibration,
    )
    return VirtualMeter(stated=stated, repeatability=repeatability, noise=noise)


def handheld_meters() -> dict[str, VirtualMeter]:
    """Two plain handheld meters and what else lies on a bench, down to the logger's clock."""
    return {
        "voltage": virtual_meter(
            "voltage",
            "meter A",
            percent=0.5,
            digits=2,
            counts=4000,
            input_resistance=10e6,
            repeatability=0.001,
        ),
        "current": virtual_meter(
            "current",
            "meter B",
            percent=1.2,
            digits=3,
            counts=4000,
            burden=0.03,
            repeatability=0.003,
        ),
        "speed": virtual_meter(
            "speed",
            "tachometer",
            percent=0.1,
            digits=1,
            resolution=0.1 * RPM,
            display_factor=RPM,
            repeatability=0.002,
        ),
        "load": virtual_meter("load", "resistors", percent=5.0),
        "torque": virtual_meter(
            "torque", "torque sensor", percent=2.0, digits=1, resolution=0.001, repeatability=0.01
        ),
        "winding": virtual_meter("winding", "thermometer", absolute=2.0, resolution=1.0),
        "force": virtual_meter(
            "force", "kitchen scale", percent=1.0, digits=1, resolution=0.01, repeatability=0.01
        ),
        "arm": virtual_meter("arm", "ruler", absolute=0.001, resolution=0.001),
        "drive_power": virtual_meter(
            "drive_power", "power meter", percent=1.0, digits=2, resolution=0.1, repeatability=0.003
        ),
        "ambient": virtual_meter("ambient", "thermometer", absolute=1.0, resolution=0.1),
        "time": virtual_meter("time", "clock", percent=0.01, resolution=0.001),
    }
