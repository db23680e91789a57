"""Optional terms of the machine: their names, and what each adds to a problem."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields, replace
from difflib import get_close_matches
from typing import Literal, cast, get_args

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.estimation.assemble import Assembled
from motorfit.estimation.physics import A, C
from motorfit.estimation.rows import Influence, Nuisance

#: Armature reaction a, windage c, and the magnets' temperature coefficient.
Term = Literal["armature-reaction", "windage", "magnet-temperature"]
TERMS: tuple[Term, ...] = get_args(Term)

#: The machine parameter that a term sets free.
PARAMETER: dict[Term, int] = {"armature-reaction": A, "windage": C}

#: How far a material's usual temperature coefficient may be off: assumed, no source.
COEFFICIENT_DOUBT = 0.3

#: Where the material is unknown: anything from no change to -0.25 % a kelvin.
UNKNOWN_COEFFICIENT = -0.00125


@dataclass(frozen=True, slots=True, kw_only=True)
class Considered:
    """What was decided of one optional term, and why."""

    term: Term
    included: bool
    asked: bool  # whether the user decided
    why: str  # one clause: "the readings demand it", with what it would take where they cannot
    evidence: float | None = None  # standard deviations in which it differs from zero


def check_terms(terms: Iterable[str] | None) -> tuple[Term, ...] | None:
    """Terms that a user named, once each and in order; None leaves them to the fit.

    Parameters
    ----------
    terms : iterable of str, or None
        Of `TERMS`.

    Returns
    -------
    tuple of Term, or None

    Raises
    ------
    ValueError
        If there is no such term; names the nearest.

    Examples
    --------
    >>> check_terms(["windage", "armature-reaction"])
    ('armature-reaction', 'windage')
    """
    if terms is None:
        return None
    if not isinstance(terms, Iterable):
        raise ValueError(f"terms must be names of optional terms, found {terms!r}")
    wanted = [terms] if isinstance(terms, str) else list(terms)
    for name in wanted:
        if name not in TERMS:
            near = get_close_matches(str(name), TERMS, 1, cutoff=0.4)
            nearest = f"; the nearest is {near[0]!r}" if near else ""
            raise ValueError(f"no optional term {name!r}{nearest}. There are {', '.join(TERMS)}.")
    return tuple(term for term in TERMS if term in cast(list[Term], wanted))


def magnet_coefficient_prior(known: float | None) -> tuple[float, float]:
    """Usual temperature coefficient of the magnets and its relative half-width.

    Parameters
    ----------
    known : float or None
        The material's usual one, None for an unknown material. [1/K]

    Returns
    -------
    coefficient : float
        [1/K]
    doubt : float
        Rectangular half-width, relative.
    """
    return (UNKNOWN_COEFFICIENT, 1.0) if known is None else (known, COEFFICIENT_DOUBT)


def with_magnet_doubt(assembled: Assembled, reference: float, doubt: float) -> Assembled:
    r"""The same readings with the magnets' coefficient as one more unknown error.

    With a relative error :math:`\varepsilon` of the coefficient, the EMF constant at
    :math:`T_m` is off as if the magnets were :math:`\varepsilon (T_m - T_\mathrm{ref})`
    warmer. Its product with the thermometer's error is left out.

    Parameters
    ----------
    assembled : Assembled
        n readings with r unknown errors.
    reference : float
        Temperature at which the EMF constant is reported. [degC]
    doubt : float
        Rectangular half-width, relative.

    Returns
    -------
    Assembled
        With r + 1 unknown errors, that of the coefficient last.
    """
    wider = _with_one_more(assembled.influence)
    wider.magnets[:, -1] = assembled.rows.magnets - reference
    error = Nuisance.rectangular("magnet coefficient", "gain", doubt)
    return replace(assembled, influence=wider, nuisances=(*assembled.nuisances, error))


def _with_one_more(influence: Influence) -> Influence:
    """A column of zeros behind the last unknown error."""
    return Influence(
        **{field.name: _widened(getattr(influence, field.name)) for field in fields(Influence)}
    )


def _widened(array: FloatArray) -> FloatArray:
    return np.concatenate([array, np.zeros((*array.shape[:-1], 1))], axis=-1)
