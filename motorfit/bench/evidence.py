"""What the checks of physical sense have in common: readings as magnitudes, and places."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from motorfit.arrays import BoolArray, FloatArray
from motorfit.bench.kinds import Kind
from motorfit.bench.records import Run
from motorfit.bench.settings import Settings
from motorfit.meter import Instrument

Instruments = Mapping[tuple[str, str], Instrument]

#: A reading is clear of its meter's errors where they are less than this part of it.
_CLEAR = 0.12


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the checks look at."""

    runs: Sequence[Run]
    settings: Settings
    instruments: Instruments
    alone: Sequence[Run] = ()  # of the drive without the machine

    def of(self, *kinds: Kind) -> list[Run]:
        """The runs of these kinds that have readings."""
        return [run for run in self.runs if run.kind in kinds and len(run)]


def together(run: Run, *quantities: str) -> tuple[FloatArray, ...]:
    """Magnitudes of several columns, in the rows that have them all."""
    columns = [np.abs(run.get(quantity)) for quantity in quantities]
    complete = np.all([np.isfinite(column) for column in columns], axis=0)
    return tuple(column[complete] for column in columns)


def accuracy_half_width(run: Run, quantity: str, instruments: Instruments) -> FloatArray:
    """By how much each reading may be off, an accuracy of 10 % where none is stated.

    On the generous side: the digits are taken as those of the coarsest range.

    Returns
    -------
    ndarray, shape (n,)
        Not negative; NaN where there is no reading. [SI]
    """
    readings = np.abs(run.get(quantity))
    instrument = instruments.get((quantity, run.meters.get(quantity, "")))
    if instrument is None:
        return np.asarray(0.1 * readings)
    gain = instrument.accuracy.relative
    if instrument.calibration is not None:
        gain = abs(instrument.calibration.gain) + instrument.calibration.half_width
    step = np.maximum(_finest_step(run, quantity, instrument), _coarsest_step(readings, instrument))
    digits = instrument.accuracy.digits + (0 if quantity == "load" else 1)  # one for rounding
    return np.asarray(gain * readings + digits * step + instrument.accuracy.absolute)


def _finest_step(run: Run, quantity: str, instrument: Instrument) -> float:
    return max(run.written_step.get(quantity, 0.0), instrument.resolution or 0.0)


def _coarsest_step(readings: FloatArray, instrument: Instrument) -> FloatArray:
    """The largest a digit can be: a reading fills at least a tenth of its range."""
    if instrument.counts is None:
        return np.zeros(readings.shape)
    return np.asarray(10.0 * np.nan_to_num(readings) / instrument.counts)


def noise(run: Run, quantity: str, instruments: Instruments) -> float:
    """Below this a reading may be nothing but the meter's offset. [SI]"""
    instrument = instruments.get((quantity, run.meters.get(quantity, "")))
    if instrument is None:
        return 5 * run.written_step.get(quantity, 0.0)
    step = _finest_step(run, quantity, instrument)
    return 2 * ((instrument.accuracy.digits + 2) * step + instrument.accuracy.absolute)


def odd_ones_out(run: Run, quantity: str, instruments: Instruments) -> BoolArray:
    """Rows whose reading has the sign of the fewer, within its direction of rotation."""
    values = run.get(quantity)
    clear = np.isfinite(values) & (np.abs(values) > noise(run, quantity, instruments))
    odd = np.zeros(len(run), dtype=np.bool_)
    for way in set(run.direction):
        here = clear & np.array([each == way for each in run.direction], dtype=np.bool_)
        positive, negative = here & (values > 0), here & (values < 0)
        if positive.any() and negative.any():
            odd |= negative if negative.sum() <= positive.sum() else positive
    return odd


def open_circuit_constant(
    evidence: Evidence, *, clear: Sequence[str] = ("speed", "voltage")
) -> float | None:
    """Median of voltage over speed with nothing connected.

    Over the rows whose columns named in ``clear`` are well above what their meters may be
    off; None where there is none.
    """
    return _median_constant(evidence, "open-circuit", clear)


def any_constant(evidence: Evidence) -> float | None:
    """The same, or of the motor running free, whose brushes and winding drop little."""
    constant = open_circuit_constant(evidence)
    if constant is not None:
        return constant
    return _median_constant(evidence, "no-load-motor", ("speed", "voltage"))


def _median_constant(evidence: Evidence, kind: Kind, clear: Sequence[str]) -> float | None:
    ratios: list[float] = []
    for run in evidence.of(kind):
        rows = np.isfinite(run.get("voltage")) & (np.abs(run.get("speed")) > 0)
        for quantity in clear:
            rows &= relative_doubt(run, quantity, evidence.instruments) < _CLEAR
        speed, voltage = np.abs(run.get("speed")[rows]), np.abs(run.get("voltage")[rows])
        ratios.extend((voltage / speed).tolist())
    return float(np.median(ratios)) if ratios else None


def relative_doubt(run: Run, quantity: str, instruments: Instruments) -> FloatArray:
    """By how much each reading may be off, relative to it; infinite for a reading of zero."""
    readings = np.abs(run.get(quantity))
    half_width = accuracy_half_width(run, quantity, instruments)
    doubt = np.full(readings.shape, np.inf)
    return np.asarray(np.divide(half_width, readings, out=doubt, where=readings > 0))


def torque_per_ampere(run: Run, instruments: Instruments) -> float | None:
    """Slope of torque against current [N m/A]; None where the readings do not tell it.

    The current must double, and span four times what torque meter and ammeter may be off.

    Driven, the speed varies as well, and the loss torque with it.
    """
    if "torque" in run.readings:
        torque, current, speed = together(run, "torque", "current", "speed")
    else:
        force, arm, current, speed = together(run, "force", "arm", "current", "speed")
        torque = force * arm
    if len(current) < 2 or not current.max() > 2 * current.min():
        return None
    for quantity in {"torque", "force", "current"} & run.readings.keys():
        off = np.nanmax(accuracy_half_width(run, quantity, instruments))
        if off > 0.25 * np.ptp(np.abs(run.get(quantity))):  # too coarse for a slope
            return None
    if not run.test.generating:
        slope = float(np.polyfit(current, torque, 1)[0])
        return slope if slope > 0 else None
    return _slope_beside_speed(current, torque, speed)


def _slope_beside_speed(current: FloatArray, torque: FloatArray, speed: FloatArray) -> float | None:
    """Slope of torque against current at one speed; None unless its scatter is small."""
    columns = np.column_stack([current, np.ones_like(current), speed])
    columns = columns / np.maximum(columns.max(axis=0), 1e-9)
    freedom = len(current) - 3
    if freedom < 2 or np.linalg.matrix_rank(columns, tol=1e-3) < 3:
        return None
    solution = np.linalg.lstsq(columns, torque)[0]
    variance = float(np.sum((torque - columns @ solution) ** 2)) / freedom
    scatter = np.sqrt(variance * np.linalg.inv(columns.T @ columns)[0, 0])
    return float(solution[0] / current.max()) if scatter < 0.06 * solution[0] else None


def rank_correlation(x: FloatArray, y: FloatArray) -> float:
    """Spearman's, with ties at their mean rank; 0 where one of them does not vary."""
    ranks = [_ranks(x), _ranks(y)]
    if min(np.ptp(rank) for rank in ranks) == 0:
        return 0.0
    return float(np.corrcoef(ranks[0], ranks[1])[0, 1])


def _ranks(values: FloatArray) -> FloatArray:
    _, place, count = np.unique(values, return_inverse=True, return_counts=True)
    last = np.cumsum(count)
    return np.asarray((last - (count - 1) / 2)[place])


def near(ratio: float, factor: float, within: float) -> bool:
    """Whether a ratio is some factor, give or take a factor of ``within``."""
    return 1 / within < ratio / factor < within


def place(run: Run, rows: BoolArray) -> str:
    """The row, or the file where there are several."""
    numbers = run.rows[rows].tolist()
    return f"{run.source.name}:{numbers[0]}" if len(numbers) == 1 else run.source.name


def listed(run: Run, rows: BoolArray) -> str:
    """Rows as a spreadsheet shows them, the first few by number."""
    numbers = [str(number) for number in run.rows[rows].tolist()]
    if len(numbers) == 1:
        return f"row {numbers[0]}"
    if len(numbers) > 5:
        return f"rows {', '.join(numbers[:4])} and {len(numbers) - 4} more"
    return f"rows {', '.join(numbers[:-1])} and {numbers[-1]}"


def mixed_up(run: Run) -> bool:
    """Whether current over voltage is the load's value, and voltage over current is not."""
    voltage, current, load = together(run, "voltage", "current", "load")
    clear = (voltage > 0) & (current > 0) & (load > 0)
    if clear.sum() < 1:
        return False
    voltage, current, load = voltage[clear], current[clear], load[clear]
    right = np.abs(np.log(voltage / current / load))
    swapped = np.abs(np.log(current / voltage / load))
    return bool(np.median(swapped) < np.log(1.3) and np.median(right) > np.log(1.7))
