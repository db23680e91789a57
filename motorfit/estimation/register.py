"""Unknown errors of the instruments, each once however many rows it touches."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from motorfit.arrays import FloatArray, IntArray
from motorfit.bench.records import Bench
from motorfit.estimation.rows import Influence, Nuisance
from motorfit.estimation.scale_priors import PRIOR_READINGS
from motorfit.instruments import range_of, rounding_variance

#: Usual standard deviation of a meter that has nothing to show, in digits: common practice,
#: no source.
USUAL_FLICKER = 1.0


@dataclass(slots=True)
class _Entry:
    nuisance: int
    where: str  # an array of `Influence`
    rows: IntArray
    quantity: int | None
    coefficient: FloatArray | float


@dataclass(slots=True)
class Register:
    """Collects unknown errors, each once however many rows it touches."""

    keys: dict[tuple[object, ...], int] = field(default_factory=dict)
    nuisances: list[Nuisance] = field(default_factory=list)
    entries: list[_Entry] = field(default_factory=list)

    def add(
        self,
        nuisance: Nuisance,
        key: tuple[object, ...],
        where: str,
        rows: IntArray,
        *,
        quantity: int | None = None,
        coefficient: FloatArray | float = 1.0,
    ) -> None:
        """Let ``nuisance`` act on ``rows``; one of the same ``key`` is the same error."""
        if nuisance.deviation <= 0 or not len(rows):
            return
        if key not in self.keys:
            self.keys[key] = len(self.nuisances)
            self.nuisances.append(nuisance)
        self.entries.append(_Entry(self.keys[key], where, rows, quantity, coefficient))

    def influence(self, rows: int) -> Influence:
        """The arrays of all entries."""
        influence = Influence.none(rows, len(self.nuisances))
        for entry in self.entries:
            array = getattr(influence, entry.where)
            if array.ndim == 1:  # one for the whole bench
                array[entry.nuisance] += entry.coefficient
            elif entry.quantity is None:
                array[entry.rows, entry.nuisance] += entry.coefficient
            else:
                array[entry.rows, entry.quantity, entry.nuisance] += entry.coefficient
        return influence


def zero_offsets(bench: Bench, register: Register) -> list[Nuisance]:
    """Offsets with what the `zero` readings say of them.

    A reading of nothing shows the offset itself, of the range whose step it was written
    with: how large it is says nothing of the range. Another range has another offset.
    """
    updated = list(register.nuisances)
    for run in bench.of_kind("zero"):
        for quantity, shown in run.readings.items():
            if quantity not in ("voltage", "current", "force", "torque"):
                continue
            name = run.meters.get(quantity, "")
            meter = bench.instrument(quantity, name)
            readings = shown[~np.isnan(shown)]
            if not len(readings):
                continue
            written = run.written_step.get(quantity, 0.0)
            steps, labels = range_of(np.zeros_like(readings), meter, written)
            deviation = _of_mean_zero(readings, float(np.max(steps)))
            index = register.keys.get((quantity, name, labels[0], "offset"))
            if index is not None:
                updated[index] = _with_reading(updated[index], float(np.mean(readings)), deviation)
    return updated


def _of_mean_zero(readings: FloatArray, step: float) -> float:
    """Standard uncertainty of an offset from zero readings: rounding, and flicker.

    A single reading does not tell how the last digits flicker, nor do two that happen to
    agree: the usual flicker counts as much beside them as it does in every other scatter.
    """
    squares = float(np.sum((readings - readings.mean()) ** 2))
    squares += PRIOR_READINGS * (USUAL_FLICKER * step) ** 2
    flicker = squares / (len(readings) - 1 + PRIOR_READINGS)
    return float(np.sqrt(rounding_variance(step) + flicker / len(readings)))


def _with_reading(prior: Nuisance, reading: float, deviation: float) -> Nuisance:
    """A prior and one reading of the same error, weighted together."""
    deviation = max(deviation, 1e-3 * prior.deviation)  # no display shows more than that
    weights = np.array([prior.deviation**-2, deviation**-2])
    combined = float(weights.sum() ** -0.5)
    return replace(
        prior,
        deviation=combined,
        mean=float(weights @ [prior.mean, reading] / weights.sum()),
        shape="normal",
        half_width=combined,
    )
