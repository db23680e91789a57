"""What is printed on an instrument: accuracy, display, loading. No uncertainties yet.

`motorfit.instruments` turns these statements into standard uncertainties.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Accuracy:
    """A maker's accuracy statement as rectangular half-widths.

    ``half-width = relative * |reading| + digits * step + absolute``
    """

    relative: float = 0.0  # 0.005 for "0.5 %"
    digits: float = 0.0  # 2 for "+ 2 digits"
    absolute: float = 0.0  # SI, for "0.02 V"
    text: str = ""  # as it was written


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """A gain error found by checking the meter, with what is left of it."""

    gain: float  # +0.0012 for "+0.12 %": the meter reads that much too high
    half_width: float  # 0.0005 for "+- 0.05 %"
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Instrument:
    """One instrument of one quantity, everything in SI.

    ``counts`` gives ranges by decades: 4000 counts are ranges of ..., 4.000, 40.00,
    400.0, ..., and the step is a range over its counts. ``resolution`` is the step
    of an instrument with a single range. With neither, the step is taken from the
    digits written in the sheet.
    """

    quantity: (
        str  # "voltage", "current", "speed", "load", "torque", "force", "arm", "winding", "time"
    )
    id: str  # the same id in two benches is the same meter
    accuracy: Accuracy
    counts: int | None = None
    resolution: float | None = None
    display_factor: float = 1.0  # SI size of one displayed unit: 2 pi/60 for r/min; ranges go by it
    input_resistance: float | None = None  # of a voltmeter [ohm]
    burden: float = 0.0  # of an ammeter [ohm]
    calibration: Calibration | None = None
    assumed: bool = False  # nobody stated it: a plain handheld meter is taken
