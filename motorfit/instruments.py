"""From what is printed on an instrument to what its readings are worth.

Accuracy statements become half-widths of a gain and an offset error, each the same for all
readings of one instrument in one range; the last digit becomes a variance that is new at
each reading; meters and leads that load or drop something are corrected.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from motorfit.arrays import BoolArray, FloatArray, IntArray
from motorfit.meter import Instrument
from motorfit.units import usual_unit

#: No range of a bench instrument has a finer step, in displayed units.
FINEST_STEP_EXPONENT = -6


def standard_uncertainty(half_width: ArrayLike) -> FloatArray:
    r"""Standard uncertainty of an error that is rectangular within a half-width.

    .. math:: u = a / \sqrt{3}

    Parameters
    ----------
    half_width : array_like
        a, in any unit.

    Returns
    -------
    ndarray
        In the same unit.

    References
    ----------
    .. [1] JCGM 100:2008, 4.3.7, equation (7).

    Examples
    --------
    >>> round(standard_uncertainty(0.01).item(), 9)
    0.005773503
    """
    return np.asarray(half_width, float) / math.sqrt(3.0)


def rounding_variance(step: ArrayLike) -> FloatArray:
    r"""Variance of a reading that is rounded to a step.

    .. math:: u^2 = \delta^2 / 12

    Parameters
    ----------
    step : array_like
        One digit of the display. [unit of the reading]

    Returns
    -------
    ndarray
        In the square of the reading's unit.

    References
    ----------
    .. [1] JCGM 100:2008, F.2.2.1 (:math:`u = 0.29\,\delta`).

    Examples
    --------
    >>> round(rounding_variance(0.01).item() ** 0.5, 9)
    0.002886751
    """
    return np.asarray(step, float) ** 2 / 12.0


def gain_half_width(instrument: Instrument) -> float:
    """Half-width of the gain error, relative to the reading.

    A calibration replaces the gain part of the maker's statement by what it left open.

    Examples
    --------
    >>> from motorfit.meter import Accuracy
    >>> meter = Instrument(quantity="voltage", id="", accuracy=Accuracy(relative=0.005, digits=2))
    >>> gain_half_width(meter), offset_half_width(meter, 0.01).item()
    (0.005, 0.02)
    """
    if instrument.calibration is not None:
        return instrument.calibration.half_width
    return instrument.accuracy.relative


def offset_half_width(instrument: Instrument, step: ArrayLike) -> FloatArray:
    """Half-width of the offset error: the digits, and what is stated in the unit itself.

    Parameters
    ----------
    instrument : Instrument
        With its accuracy.
    step : array_like
        One digit of the range the instrument was in, from `range_of`. [SI]

    Returns
    -------
    ndarray, as ``step``
        [SI]
    """
    step = np.asarray(step, float)
    if not instrument.accuracy.digits:  # no step is needed then, nor known where it is NaN
        return np.full_like(step, instrument.accuracy.absolute)
    return instrument.accuracy.digits * step + instrument.accuracy.absolute


def calibrated(reading: ArrayLike, instrument: Instrument) -> FloatArray:
    r"""What the instrument would show without the gain error that a calibration found.

    .. math:: y = x / (1 + g)

    Parameters
    ----------
    reading : array_like
        x, as shown. [SI]
    instrument : Instrument
        With or without a calibration; g is positive where it reads too high.

    Returns
    -------
    ndarray
        [SI]

    Examples
    --------
    >>> from motorfit.meter import Accuracy, Calibration
    >>> checked = Instrument(quantity="voltage", id="", accuracy=Accuracy(relative=0.01),
    ...                      calibration=Calibration(gain=0.01, half_width=0.001))
    >>> calibrated(10.1, checked).item()
    10.0
    """
    gain = 0.0 if instrument.calibration is None else instrument.calibration.gain
    return np.asarray(reading) / (1.0 + gain)


#: How far beyond its accuracy the scatter of one moment may carry a reading over the end of a
#: range, relatively: taken, no source; twice the usual repeatability of voltage and current.
_SCATTER_OVER_THE_END = 0.005


def range_of(
    readings: ArrayLike, instrument: Instrument, written_step: float = math.nan
) -> tuple[FloatArray, tuple[str, ...]]:
    """In which range each reading was taken, and what one digit of it is.

    Parameters
    ----------
    readings : array_like, shape (n,)
        As the sheet has them, either sign. [SI]
    instrument : Instrument
        With ``counts``, each reading is in the smallest range by decades that holds it,
        and a digit is a power of ten of the displayed unit. With ``resolution`` there is
        one range. With neither, the digit is the one written in the sheet.
    written_step : float
        Finest decimal place written in the column. It tells the range of a reading of
        zero. [SI]

    Returns
    -------
    step : ndarray, shape (n,)
        One digit. NaN where the reading is. [SI]
    label : tuple of str
        Name of each reading's range, "40 V"; "" where there is only one, or no reading.

    Examples
    --------
    >>> from motorfit.meter import Accuracy
    >>> meter = Instrument(quantity="voltage", id="", accuracy=Accuracy(digits=2), counts=4000)
    >>> range_of([1.234, 12.34, -39.99, 40.1], meter)[1]
    ('4 V', '40 V', '40 V', '400 V')
    """
    values = np.atleast_1d(np.asarray(readings, float))
    known = np.isfinite(values)
    if instrument.counts is None:
        single = written_step if instrument.resolution is None else instrument.resolution
        return np.where(known, single, np.nan), ("",) * len(values)
    shown = np.abs(np.where(known, values, 0.0)) / instrument.display_factor
    exponent = _decades(shown, known, instrument.counts, written_step / instrument.display_factor)
    step = np.where(known, 10.0**exponent * instrument.display_factor, np.nan)
    names = {int(d): _range_name(instrument, int(d)) for d in np.unique(exponent)}
    labels = (names[int(d)] if ok else "" for d, ok in zip(exponent, known, strict=True))
    return step, tuple(labels)


def near_end_of_range(
    readings: ArrayLike, instrument: Instrument, written_step: float = math.nan
) -> BoolArray:
    """Which readings may have been taken in the next larger range.

    A meter that chooses its range by itself leaves one when its own error, or the scatter
    of that moment, carries the reading over the end; the next range may then show less.

    Parameters
    ----------
    readings, instrument, written_step
        As for `range_of`.

    Returns
    -------
    ndarray of bool, shape (n,)
        False everywhere where the meter has one range.
    """
    values = np.abs(np.atleast_1d(np.asarray(readings, float)))
    if instrument.counts is None:
        return np.zeros(values.shape, dtype=bool)
    step, _ = range_of(values, instrument, written_step)
    # one range may show as much too much as the next, whose digits are ten times as large, then
    # shows too little: the accuracy twice
    digits = 2.0 * offset_half_width(instrument, 10.0 * step)
    over = values * (1.0 + 2.0 * gain_half_width(instrument) + _SCATTER_OVER_THE_END) + digits
    larger, _ = range_of(over, instrument, written_step)
    return np.asarray((values > 0) & (larger > step))


def _decades(shown: FloatArray, known: BoolArray, counts: int, written: float) -> IntArray:
    """Power of ten of one digit of each displayed reading."""
    largest = counts if counts % 10 == 9 else counts - 1  # "4000 counts" shows up to 3999
    some = known & (shown > 0)
    exponent = np.full(shown.shape, FINEST_STEP_EXPONENT)
    size = np.log10(shown[some] / largest)
    exponent[some] = np.maximum(np.ceil(size - 1e-9), FINEST_STEP_EXPONENT).astype(int)
    zero = known & ~some
    if zero.any():
        exponent[zero] = _zero_decade(written, exponent[some])
    return exponent


def _zero_decade(written: float, others: IntArray) -> int:
    """The range of a reading of zero: the written digit tells, else the others do."""
    if math.isfinite(written) and written > 0:
        decade = math.log10(written)
        if abs(decade - round(decade)) < 1e-6:
            return max(round(decade), FINEST_STEP_EXPONENT)
    return int(others.min()) if others.size else FINEST_STEP_EXPONENT


def _range_name(instrument: Instrument, exponent: int) -> str:
    counts = instrument.counts or 0
    full = (counts + 1 if counts % 10 == 9 else counts) * 10.0**exponent
    return f"{full:.6g} {usual_unit(instrument.quantity, instrument.display_factor)}".strip()


def machine_current(
    meter_current: ArrayLike, voltage: ArrayLike, input_conductance: ArrayLike = 0.0
) -> FloatArray:
    r"""Current of the machine, where a voltmeter across its terminals takes some.

    .. math:: i = i_\mathrm{meter} - Y v

    Parameters
    ----------
    meter_current : array_like
        What the ammeter shows, positive into the machine; zero for an open circuit. [A]
    voltage : array_like
        What the voltmeter shows. [V]
    input_conductance : array_like
        Y, one over the voltmeter's input resistance; zero for one that takes nothing. [S]

    Returns
    -------
    ndarray
        Positive into the machine. [A]

    Notes
    -----
    Kirchhoff's current law at the terminal. Running as a motor, the ammeter feeds machine
    and voltmeter: :math:`i_\mathrm{meter} = i + Y v`. Driven, the machine feeds voltmeter
    and load, and the ammeter in the load's branch shows :math:`-i_\mathrm{meter}`:
    :math:`-i = -i_\mathrm{meter} + Y v`, the same.

    Examples
    --------
    >>> machine_current([2.0, -2.0, 0.0], 10.0, 0.001)
    array([ 1.99, -2.01, -0.01])
    """
    taken: FloatArray = np.asarray(voltage) * np.asarray(input_conductance)
    return np.asarray(meter_current) - taken


def terminal_voltage_behind_leads(
    voltage: ArrayLike, current: ArrayLike, lead_resistance: ArrayLike
) -> FloatArray:
    r"""Voltage at the machine, where the voltmeter sits at the far end of its leads.

    .. math:: v = v_\mathrm{meter} - R_\mathrm{leads}\, i

    Parameters
    ----------
    voltage : array_like
        What the voltmeter shows. [V]
    current : array_like
        Positive into the machine, so that a generator's voltage is above the meter's. [A]
    lead_resistance : array_like
        Both leads together. [ohm]

    Returns
    -------
    ndarray
        [V]

    Examples
    --------
    >>> terminal_voltage_behind_leads(10.0, [5.0, -5.0], 0.02)
    array([ 9.9, 10.1])
    """
    drop: FloatArray = np.asarray(lead_resistance) * np.asarray(current)
    return np.asarray(voltage) - drop


def current_from_load(voltage: ArrayLike, load: ArrayLike, extra: ArrayLike = 0.0) -> FloatArray:
    r"""Current of a driven machine, from its voltage and the resistor across it.

    .. math:: i = -\frac{v}{R_\mathrm{load} + R_\mathrm{extra}}

    Parameters
    ----------
    voltage : array_like
        Across resistor and what is in series with it. [V]
    load : array_like
        The resistor; infinite for an open circuit. [ohm]
    extra : array_like
        What is in series with it: burden of an ammeter. [ohm]

    Returns
    -------
    ndarray
        Positive into the machine, so negative. What the voltmeter takes comes on top, see
        `machine_current`. [A]

    Examples
    --------
    >>> current_from_load(10.0, 4.9, 0.1).item()
    -2.0
    """
    current: FloatArray = -np.asarray(voltage) / (np.asarray(load) + np.asarray(extra))
    return current
