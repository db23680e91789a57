"""Draws from what is known of a machine, for Monte Carlo."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.machine.brushed import BRUSH_SCALE_FACTOR, BrushedMachine
from motorfit.profile.propagation import (
    POSITIVE,
    machine_of,
    scatter_degrees_of_freedom,
)

if TYPE_CHECKING:
    from motorfit.profile.model import MachineProfile
    from motorfit.profile.parts import InstrumentError

#: Fields of the machine that a profile may know.
MACHINE_FIELDS = (
    "emf_constant",
    "armature_resistance",
    "brush_drop",
    "coulomb_torque",
    "viscous_coefficient",
    "windage_coefficient",
    "armature_reaction",
)

#: Parameters that cannot be zero are drawn no lower than this share of their value.
LEAST_DRAW = 1e-3

#: quantity, id, range, error and shape of an instrument's error: equal is the same error.
ErrorKey: TypeAlias = tuple[str, str, str, str, str]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Draws(Mapping[str, FloatArray]):
    """Draws of the parameters that have a value, each an array of shape (n,), SI."""

    by_name: Mapping[str, FloatArray]
    brush_current_scale: FloatArray

    def __getitem__(self, name: str) -> FloatArray:
        return self.by_name[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self.by_name)

    def __len__(self) -> int:
        return len(self.by_name)

    def machine(self, dimensions: int = 0) -> BrushedMachine:
        """The machine of each draw, for the functions of `motorfit.machine`.

        Parameters
        ----------
        dimensions : int
            Dimensions of the readings. With 1, the fields have shape (n, 1), so that
            speeds of shape (m,) give results of shape (n, m).

        Returns
        -------
        BrushedMachine
            What is not known is zero: check `MachineProfile.parameters` first.
        """
        shape = (-1,) + (1,) * dimensions
        fields = {name: self[name] for name in MACHINE_FIELDS if name in self}
        fields["brush_current_scale"] = self.brush_current_scale
        return machine_of({name: draws.reshape(shape) for name, draws in fields.items()})


def sample_together(
    profiles: Sequence[MachineProfile], n: int, rng: np.random.Generator
) -> tuple[Draws, ...]:
    """Draw several machines that may have been measured with the same instruments.

    The same error (quantity, id, range, kind and shape) in two profiles has one draw: a
    wrong meter cancels in a difference of machines and does not shrink in their average.

    Parameters
    ----------
    profiles : sequence of MachineProfile
        The machines.
    n : int
        Draws of each.
    rng : numpy.random.Generator
        Where chance comes from; the same state gives the same draws.

    Returns
    -------
    tuple of Draws
        One a profile; draw ``j`` of all of them belongs together.

    Raises
    ------
    ValueError
        If ``n`` is negative.

    Notes
    -----
    Instrument errors are rectangular where their half-width is. Scatter is multivariate
    normal; where it rests on few readings each parameter is widened to the t distribution
    of its own degrees of freedom (JCGM 101, 6.4.9), by one chance for all of them so that
    correlated parameters stay together. Draws of a parameter that cannot be negative are
    cut off at zero, those of one that cannot be zero (EMF constant, resistances, inertia,
    time constant) at a thousandth of their value. The brush current scale is drawn within a
    factor of three.
    """
    if n < 0:
        raise ValueError(f"n must be zero or positive, found {n}")
    shared: dict[ErrorKey, FloatArray] = {}
    return tuple(_sample(profile, n, rng, shared) for profile in profiles)


def _sample(
    profile: MachineProfile, n: int, rng: np.random.Generator, shared: dict[ErrorKey, FloatArray]
) -> Draws:
    names = profile.covariance_order
    best = np.array([profile.estimate(name).value for name in names])
    draws = best + _scatter(profile, n, rng)
    for error in profile.instruments:
        sensitivity = np.array([error.sensitivity.get(name, 0.0) for name in names])
        draws = draws + np.outer(_error(error, n, rng, shared), sensitivity)
    floor = np.where(
        np.isin(names, POSITIVE),
        LEAST_DRAW * best,
        np.where(np.isin(names, ("armature_reaction",)), -np.inf, 0.0),
    )
    draws = np.maximum(draws, floor)
    factor = BRUSH_SCALE_FACTOR ** rng.uniform(-1.0, 1.0, n)
    return Draws(
        by_name={name: draws[:, j] for j, name in enumerate(names)},
        brush_current_scale=profile.constants.brush_current_scale * factor,
    )


def _scatter(profile: MachineProfile, n: int, rng: np.random.Generator) -> FloatArray:
    """Deviations by scatter, shape (n, p): normal, widened where readings are few."""
    from scipy.special import chdtri

    names = profile.covariance_order
    if not names:
        return np.zeros((n, 0))
    scatter = profile.scatter_covariance
    deviation = np.sqrt(np.diag(scatter))
    scale = np.where(deviation > 0, deviation, 1.0)  # correlations decompose well, whatever units
    correlation = scatter / scale / scale[:, None]
    normal = deviation * rng.multivariate_normal(
        np.zeros(len(names)), correlation, size=n, method="eigh", check_valid="ignore"
    )
    freedom = np.array([scatter_degrees_of_freedom(profile.estimate(name)) for name in names])
    chance = rng.uniform(size=(n, 1))
    finite = np.where(np.isinf(freedom), 1.0, freedom)
    squares = np.asarray(chdtri(finite, chance))  # chi-square with these degrees of freedom
    return np.asarray(normal * np.where(np.isinf(freedom), 1.0, np.sqrt(finite / squares)))


def _error(
    error: InstrumentError, n: int, rng: np.random.Generator, shared: dict[ErrorKey, FloatArray]
) -> FloatArray:
    """Draws of one error, shape (n,): those that another machine already has, if the same.

    An instrument without an id is nobody's in particular, and never the same as another.
    """
    key = (error.quantity, error.id, error.range, error.error, error.shape)
    unit = shared.get(key) if error.id else None
    if unit is None:
        unit = rng.uniform(-1.0, 1.0, n) if error.shape == "rectangular" else rng.normal(size=n)
        shared[key] = unit
    return np.asarray(error.half_width * unit)
