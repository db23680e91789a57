r"""The curve of a machine that coasts: its fit by the rates at three values.

A shown quantity x, speed or voltage, falls by

.. math:: \dot x = -(d_0 + d_1 x + d_2 x^2)

Three rates at values spread over the range say the same as the three coefficients, and are
nearly independent of each other where the coefficients are nearly opposite.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial import chebyshev, legendre

from motorfit.arrays import FloatArray

#: Points at which the sensitivity of a curve is computed; between them it is a polynomial.
_POINTS = 33

#: By how much of its range a curve is shifted up for the fit, so that no try comes to rest.
_SHIFT = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CoastCurve:
    """A curve by its start and its rates at m values of the shown quantity."""

    start: float  # at the first instant [x]
    nodes: FloatArray  # (m,) [x]
    rates: FloatArray  # (m,) [x/s]

    @property
    def coefficients(self) -> FloatArray:
        """Of the rate: d0, d1, d2; zero where there are fewer nodes, (3,)."""
        return padded(-np.linalg.solve(np.vander(self.nodes, increasing=True), self.rates))

    @property
    def parameters(self) -> FloatArray:
        """Start and rates, (1 + m,)."""
        return np.concatenate([[self.start], self.rates])

    def moved(self, parameters: FloatArray) -> CoastCurve:
        """The curve of other parameters."""
        return CoastCurve(start=float(parameters[0]), nodes=self.nodes, rates=parameters[1:])

    def rate(self, x: FloatArray) -> FloatArray:
        """Rate at these values. [x/s]"""
        return self.weights(x) @ self.rates

    def weights(self, x: FloatArray) -> FloatArray:
        """How the rate at each of n values is made of those at the nodes, (n, m)."""
        powers = np.vander(np.atleast_1d(x), len(self.nodes), increasing=True)
        return powers @ np.linalg.inv(np.vander(self.nodes, increasing=True))

    def at(self, time: FloatArray, *, floor: float = 0.0) -> FloatArray:
        """Values at n instants. [x]

        Parameters
        ----------
        time : ndarray, shape (n,)
            From the first instant on. [s]
        floor : float
            Below all values that matter: the curve rests there. [x]
        """
        d0, d1, d2 = self.coefficients
        lifted = (d0 + d1 * floor + d2 * floor**2, d1 + 2.0 * d2 * floor, d2)
        return floor + speed_after(time, self.start - floor, *lifted)

    def sensitivity(self, time: FloatArray, *, floor: float = 0.0, bends: int = 0) -> FloatArray:
        r"""Slopes of the values in the parameters, (n, 1 + m + bends).

        With f the rate, a change of it by g moves the curve by
        :math:`f(x(t)) \int_0^t g(x(s)) / f(x(s))\, ds`, and one of the start by f(x)/f(start).

        Parameters
        ----------
        time, floor
            As for `at`.
        bends : int
            So many further changes of the rate are looked at: Legendre polynomials, over the
            range of the curve, of the orders that the three terms lack.
        """
        end = float(time[-1]) or 1.0
        points = chebyshev.chebpts1(_POINTS)
        x = self.at(0.5 * end * (1.0 + points), floor=floor)
        changes = np.column_stack([self.weights(x), *_bends(x, len(self.nodes), bends)])
        series = np.linalg.solve(
            chebyshev.chebvander(points, _POINTS - 1), changes / self.rate(x)[:, None]
        )
        whole = chebyshev.chebint(series, lbnd=-1.0, scl=0.5 * end)
        moved = chebyshev.chebval(2.0 * time / end - 1.0, whole).T
        rate = self.rate(self.at(time, floor=floor))
        first = np.full(len(time), 1.0 / self.rate(np.array([self.start]))[0])
        return np.asarray(rate[:, None] * np.column_stack([first, moved]))


def _bends(x: FloatArray, order: int, count: int) -> list[FloatArray]:
    low, high = float(x.min()), float(x.max())
    u = 2.0 * (x - low) / (high - low) - 1.0
    return [legendre.legval(u, np.eye(order + k + 1)[-1]) for k in range(count)]


def padded(coefficients: FloatArray) -> FloatArray:
    """Three coefficients, zeros at the end."""
    return np.concatenate([coefficients, np.zeros(3 - len(coefficients))])


def speed_after(time: FloatArray, start: float, d0: float, d1: float, d2: float) -> FloatArray:
    half = 0.5 * d1
    bend = half**2 - d0 * d2
    root = np.sqrt(abs(bend))
    with np.errstate(all="ignore"):
        if bend > 0:
            grown = np.tanh(root * time) / root
        elif bend < 0:
            grown = np.where(root * time < 0.5 * np.pi, np.tan(root * time) / root, np.nan)
        else:
            grown = time
        value = start - (d0 + d1 * start + d2 * start**2) * grown / (
            1.0 + (half + d2 * start) * grown
        )
    return np.where(value > 0, value, 0.0)


def fit_curve(time: FloatArray, x: FloatArray, weight: FloatArray, count: int) -> CoastCurve:
    """Fit a curve by least squares.

    Parameters
    ----------
    time : ndarray, shape (n,)
        Growing, from zero. [s]
    x : ndarray, shape (n,)
        What was shown.
    weight : ndarray, shape (n,)
        One over the standard deviation of each, up to a factor.
    count : int
        Number of rates, 1 to 3.

    Returns
    -------
    CoastCurve
    """
    from scipy.optimize import least_squares

    top, bottom = float(x.max()), float(x.min())
    span = top - bottom
    floor = bottom - _SHIFT * span
    nodes = bottom + span * np.array({1: [0.5], 2: [0.85, 0.15], 3: [0.9, 0.5, 0.1]}[count])
    guess = _first_guess(time, x, weight, nodes)
    size = np.concatenate([[span], np.full(count, span / time[-1])])

    def off(steps: FloatArray) -> FloatArray:
        return (guess.moved(steps * size).at(time, floor=floor) - x) * weight

    def slope(steps: FloatArray) -> FloatArray:
        found = guess.moved(steps * size).sensitivity(time, floor=floor)
        return np.nan_to_num(found * size * weight[:, None])

    found = least_squares(off, guess.parameters / size, slope, method="lm", max_nfev=60)
    return guess.moved(found.x * size)


def _first_guess(
    time: FloatArray, x: FloatArray, weight: FloatArray, nodes: FloatArray
) -> CoastCurve:
    """By integrals of the readings, a straight problem: nothing is differentiated."""
    middle, span = float(nodes.mean()), float(np.ptp(x))
    lifted = (x - middle) / span
    powers = np.vander(lifted, len(nodes), increasing=True)
    steps = 0.5 * np.diff(time)[:, None] * (powers[1:] + powers[:-1])
    integrals = np.concatenate([np.zeros((1, len(nodes))), np.cumsum(steps, axis=0)])
    design = np.column_stack([np.ones(len(x)), integrals / time[-1]]) * weight[:, None]
    found = np.linalg.lstsq(design, x * weight, rcond=None)[0]
    rates = np.vander((nodes - middle) / span, len(nodes), increasing=True) @ found[1:] / time[-1]
    mean = (x[-1] - x[0]) / time[-1]
    return CoastCurve(
        start=float(found[0]), nodes=nodes, rates=np.where(rates < 0.05 * mean, rates, 0.05 * mean)
    )
