"""Parts of a profile that every way of making one needs."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.bench.records import Bench
from motorfit.estimate import Estimate, NotKnown
from motorfit.estimation.rows import Nuisance
from motorfit.profile.model import PARAMETER_UNITS, InstrumentError, Machine, MachineProfile


def described_machine(bench: Bench) -> Machine:
    """The machine as its bench folder describes it."""
    machine = bench.settings.machine
    return Machine(
        name=machine.name,
        kind=machine.kind,
        shaft=machine.shaft,
        serial=machine.serial,
        type=machine.type,
        lot=machine.lot,
    )


def known_in_order(parameters: Mapping[str, Estimate | NotKnown]) -> tuple[str, ...]:
    """Names of the parameters that have a value, in the profile's order."""
    return tuple(name for name in PARAMETER_UNITS if isinstance(parameters[name], Estimate))


def widened_covariance(profile: MachineProfile, order: tuple[str, ...]) -> FloatArray:
    """Covariance by scatter of the profile's parameters among further ones.

    Parameters
    ----------
    profile : MachineProfile
        With m parameters that have a value.
    order : tuple of str
        Names of n parameters, those of the profile among them.

    Returns
    -------
    ndarray, shape (n, n)
        Zero for the further ones.
    """
    whole = np.zeros((len(order), len(order)))
    before = [order.index(name) for name in profile.covariance_order]
    whole[np.ix_(before, before)] = profile.scatter_covariance
    return whole


def profile_error(nuisance: Nuisance, sensitivity: Mapping[str, float]) -> InstrumentError:
    """An unknown error as the profile keeps it.

    Parameters
    ----------
    nuisance : Nuisance
        The error.
    sensitivity : mapping of str to float
        Change of each parameter with it, in SI.
    """
    return InstrumentError(
        quantity=nuisance.quantity,
        id=nuisance.id,
        range=nuisance.range,
        error="offset" if nuisance.error == "effect" else nuisance.error,
        shape=nuisance.shape,
        half_width=nuisance.half_width,
        unit=nuisance.unit,
        sensitivity=sensitivity,
    )
