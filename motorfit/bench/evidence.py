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


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the checks look at."""

    runs: Sequence[Run]
    settings: Settings
    instruments: Instruments

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
    """Below this a reading may be nothing but the meter's offset."""
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


def open_circuit_constant(evidence: Evidence) -> float | None:
    """Median of voltage over speed with nothing connected."""
    return _median_constant(evidence.of("open-circuit"))


def any_constant(evidence: Evidence) -> float | None:
    """The same, or of the motor running free, whose brushes and winding drop little."""
    constant = open_circuit_constant(evidence)
    return constant if constant is not None else _median_constant(evidence.of("no-load-motor"))


def _median_constant(runs: Sequence[Run]) -> float | None:
    ratios: list[float] = []
    for run in runs:
        speed, voltage = together(run, "speed", "voltage")
        turning = speed > 0
        ratios.extend((voltage[turning] / speed[turning]).tolist())
    return float(np.median(ratios)) if ratios else None


def torque_per_ampere(run: Run) -> float | None:
    """Slope of torque against current; None where the readings do not span enough of it."""
    if "torque" in run.readings:
        torque, current = together(run, "torque", "current")
    else:
        force, arm, current = together(run, "force", "arm", "current")
        torque = force * arm
    if len(current) < 2 or not current.max() > 2 * current.min():
        return None
    slope = float(np.polyfit(current, torque, 1)[0])
    return slope if slope > 0 else None


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
