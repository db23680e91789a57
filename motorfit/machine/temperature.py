"""How winding resistance and EMF constant follow temperature."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from motorfit.arrays import FloatArray

#: Temperature at which the resistance would be zero, with its sign turned. [K]
#: Copper: IEEE and NEMA practice; aluminium: IEC 60034-1, 8.6.2 (which has 235 for copper).
WINDING_CONSTANT = {"copper": 234.5, "aluminium": 225.0}

#: Change of remanence, and so of the EMF constant, per kelvin. From memory, typical.
MAGNET_COEFFICIENT = {"ferrite": -0.002, "neodymium": -0.0011}

WindingMaterial = Literal["copper", "aluminium"]


def winding_factor(
    temperature: ArrayLike, reference: float, winding_constant: float = 234.5
) -> FloatArray:
    r"""Winding resistance relative to its value at the reference temperature.

    .. math:: \rho = \frac{K + T_w}{K + T_\mathrm{ref}}

    Parameters
    ----------
    temperature : array_like
        Mean winding temperature. [degC]
    reference : float
        Reference temperature. [degC]
    winding_constant : float
        K, 234.5 for copper, 225 for aluminium. [K]

    Returns
    -------
    ndarray

    References
    ----------
    .. [1] IEC 60034-1, 8.6.2 (K = 235 for copper, 225 for aluminium); 234.5 for
       copper is IEEE and NEMA practice.

    Examples
    --------
    >>> round(winding_factor(75.0, 25.0).item(), 6)
    1.192678
    """
    return (winding_constant + np.asarray(temperature, float)) / (winding_constant + reference)


def magnet_factor(temperature: ArrayLike, reference: float, coefficient: float) -> FloatArray:
    r"""EMF constant relative to its value at the reference temperature.

    .. math:: m = 1 + \alpha (T_m - T_\mathrm{ref})

    Parameters
    ----------
    temperature : array_like
        Temperature of the magnets, not of the winding. [degC]
    reference : float
        Reference temperature. [degC]
    coefficient : float
        Relative change per kelvin, negative for ferrite and neodymium. [1/K]

    Returns
    -------
    ndarray

    Examples
    --------
    >>> round(magnet_factor(75.0, 25.0, -0.002).item(), 6)
    0.9
    """
    return 1.0 + coefficient * (np.asarray(temperature, float) - reference)


def temperature_by_resistance(
    resistance: ArrayLike,
    cold_resistance: ArrayLike,
    cold_temperature: ArrayLike,
    winding_constant: float = 234.5,
) -> FloatArray:
    r"""Mean temperature of a winding from how much its resistance has grown.

    .. math:: T_2 = \frac{R_2}{R_1} (K + T_1) - K

    Parameters
    ----------
    resistance : array_like
        Of the warm winding. [ohm]
    cold_resistance : array_like, positive
        Of the same winding, by the same meters and leads. [ohm]
    cold_temperature : array_like
        Of the winding when that was measured. [degC]
    winding_constant : float
        K, 234.5 for copper, 225 for aluminium. [K]

    Returns
    -------
    ndarray
        Its rise over the air is this less the temperature of the air. [degC]

    References
    ----------
    .. [1] IEC 60034-1, 8.6.2.

    Examples
    --------
    >>> round(temperature_by_resistance(100.0, 80.0, 20.0).item(), 3)
    83.625
    """
    ratio = np.asarray(resistance, float) / np.asarray(cold_resistance, float)
    cold = winding_constant + np.asarray(cold_temperature, float)
    return np.asarray(ratio * cold - winding_constant)
