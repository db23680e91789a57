"""First-order propagation of everything that is uncertain in a profile."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.estimate import Estimate
from motorfit.machine.brushed import BRUSH_SCALE_FACTOR, BrushedMachine
from motorfit.profile.known import Apart, Known

if TYPE_CHECKING:
    from motorfit.profile.model import MachineProfile

#: Standard uncertainty of the logarithm of the brush current scale, which is rectangular.
BRUSH_SCALE_UNCERTAINTY = float(np.log(BRUSH_SCALE_FACTOR) / np.sqrt(3.0))

#: Parameters of which zero or less is no machine.
POSITIVE = (
    "emf_constant",
    "armature_resistance",
    "moment_of_inertia",
    "thermal_resistance",
    "thermal_time_constant",
)

#: The smallest share of its value that a positive parameter is varied down to.
LEAST_SHARE = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spread:
    """The machine as it is, then with one field after the other a little up and down."""

    names: tuple[str, ...]
    values: FloatArray  # (1 + 2 p, p)
    widths: FloatArray  # (p,) from down to up

    @property
    def count(self) -> int:
        """How many variations there are, the machine as it is among them."""
        return len(self.values)

    @classmethod
    def of(cls, profile: MachineProfile, known: Known) -> Spread:
        """Fields in the order of ``joint``, ``apart``, and last the brush current scale."""
        estimates = [profile.estimate(name) for name in known.joint]
        stated: list[Estimate | Apart] = [*estimates, *known.apart.values()]
        scale = profile.constants.brush_current_scale
        values = np.array([*(item.value for item in stated), scale])
        half = 0.5 * np.array([item.standard_uncertainty for item in stated])
        names = (*known.joint, *known.apart, "brush_current_scale")
        positive = np.isin(names[:-1], POSITIVE)
        floor = np.where(positive, LEAST_SHARE * values[:-1], np.minimum(values[:-1], 0.0))
        ratio = np.exp(0.5 * BRUSH_SCALE_UNCERTAINTY)
        up = np.append(values[:-1] + half, scale * ratio)
        down = np.append(np.maximum(values[:-1] - half, floor), scale / ratio)
        table = np.tile(values, (1 + 2 * len(names), 1))
        place = np.arange(len(names))
        table[1 + 2 * place, place], table[2 + 2 * place, place] = up, down
        return cls(
            names=names,
            values=table,
            widths=np.append((up - down)[:-1], BRUSH_SCALE_UNCERTAINTY),
        )

    def fields(self, dimensions: int) -> dict[str, FloatArray]:
        """Each field in all variations, along a new leading axis."""
        shape = (self.count,) + (1,) * dimensions
        return {name: self.values[:, j].reshape(shape) for j, name in enumerate(self.names)}

    def machine(self, dimensions: int) -> BrushedMachine:
        """All variations of the machine at once, along a new leading axis."""
        return machine_of(self.fields(dimensions))

    def slopes(self, results: FloatArray) -> FloatArray:
        """Change of the results with each field, shape (p, ...)."""
        widths = self.widths.reshape((-1,) + (1,) * (results.ndim - 1))
        change = results[1::2] - results[2::2]
        return np.asarray(np.divide(change, widths, out=np.zeros_like(change), where=widths > 0))


def machine_of(fields: Mapping[str, FloatArray]) -> BrushedMachine:
    """A machine whose fields are given; what is not given plays no part and is zero."""
    blank = {"emf_constant": np.zeros(()), "armature_resistance": np.zeros(())}
    return BrushedMachine(**(blank | dict(fields)))


def through(
    profile: MachineProfile,
    known: Known,
    dimensions: int,
    formula: Callable[[dict[str, FloatArray]], FloatArray],
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Value, standard uncertainty and degrees of freedom of any formula of known fields.

    Parameters
    ----------
    profile : MachineProfile
        What is known.
    known : Known
        The fields that the formula is given.
    dimensions : int
        Of the points at which it is evaluated.
    formula : callable
        From fields, each with a leading axis of variations, to finite results.

    Returns
    -------
    value, standard_uncertainty, degrees_of_freedom : ndarray
        Of the points' shape.
    """
    spread = Spread.of(profile, known)
    results = formula(spread.fields(dimensions))
    results = np.broadcast_to(results, (spread.count, *results.shape[1:]))
    uncertainty, freedom = propagate(profile, known, spread, results)
    return np.array(results[0]), uncertainty, freedom


def propagate(
    profile: MachineProfile, known: Known, spread: Spread, results: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Standard uncertainty and effective degrees of freedom of each result."""
    slopes = spread.slopes(results)
    count = len(known.joint)
    joint, apart, scale = slopes[:count], slopes[count:-1], slopes[-1]
    order = [profile.covariance_order.index(name) for name in known.joint]
    scatter = profile.scatter_covariance[np.ix_(order, order)]
    from_scatter = np.maximum(np.einsum("i...,ij,j...->...", joint, scatter, joint), 0.0)
    variance = from_scatter + (BRUSH_SCALE_UNCERTAINTY * scale) ** 2
    for error in profile.instruments:
        sensitivity = np.array([error.sensitivity.get(name, 0.0) for name in known.joint])
        part = np.tensordot(sensitivity, joint, axes=1) * error.standard_uncertainty
        variance = variance + part**2
    freedom = _freedom(profile, known, joint, np.diag(scatter), from_scatter, variance)
    uncertainty = np.sqrt(variance)
    for slope, item in zip(apart, known.apart.values(), strict=True):
        part = np.abs(slope) * item.standard_uncertainty
        uncertainty = uncertainty + part
        freedom = np.where(part > 0, np.minimum(freedom, item.degrees_of_freedom), freedom)
    return np.asarray(uncertainty), np.asarray(freedom)


def _freedom(
    profile: MachineProfile,
    known: Known,
    slopes: FloatArray,
    variances: FloatArray,
    from_scatter: FloatArray,
    variance: FloatArray,
) -> FloatArray:
    """Welch and Satterthwaite's formula, instruments counting as infinitely many.

    The scatter of several parameters counts with the mean of their own numbers (of the
    reciprocals), each weighted by its part.
    """
    shape = (-1,) + (1,) * from_scatter.ndim
    own = np.array([scatter_degrees_of_freedom(profile.estimate(n)) for n in known.joint])
    weights = slopes**2 * variances.reshape(shape)
    total = weights.sum(axis=0)
    reciprocal = (weights / own.reshape(shape)).sum(axis=0)
    infinite = np.full(from_scatter.shape, np.inf)
    mean = np.divide(total, reciprocal, out=infinite.copy(), where=reciprocal > 0)
    ratio = np.divide(variance, from_scatter, out=infinite, where=from_scatter > 0)
    return np.asarray(mean * ratio**2)


def scatter_degrees_of_freedom(estimate: Estimate) -> float:
    """Degrees of freedom of the scatter alone, from the effective ones of the whole."""
    if not estimate.from_scatter > 0 or np.isinf(estimate.degrees_of_freedom):
        return float(np.inf)
    share = min(estimate.from_scatter / estimate.standard_uncertainty, 1.0)
    return max(float(estimate.degrees_of_freedom * share**4), 1.0)
