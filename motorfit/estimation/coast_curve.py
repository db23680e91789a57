r"""The curve of a machine that coasts: its fit by the rates at a few values.

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
from motorfit.machine.slowing import speed_after

#: Points at which a curve and its slopes are computed; between them they are polynomials.
_POINTS = 65

#: By how much of its range a curve is lifted for the fit, so that no try comes to rest.
_LIFT = 0.5

#: Where the rates of a fit are, as shares of the range; by their number.
_PLACES = {1: (0.5,), 2: (0.85, 0.15), 3: (0.9, 0.5, 0.1)}

#: Evaluations of one fit at most.
_MOST_TRIES = 60

_CHEBYSHEV = chebyshev.chebpts1(_POINTS)
_TO_SERIES = np.linalg.inv(chebyshev.chebvander(_CHEBYSHEV, _POINTS - 1))
#: From values at the points to their integrals from the first instant to each point.
_INTEGRAL = (
    chebyshev.chebvander(_CHEBYSHEV, _POINTS)
    @ chebyshev.chebint(np.eye(_POINTS), lbnd=-1.0)
    @ _TO_SERIES
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sampled:
    """At which n instants curves are looked at, or over which they are averaged."""

    end: float  # the last instant, from the first on [s]
    matrix: FloatArray  # (n, points) from values at the points to those at the instants

    @classmethod
    def at(cls, time: FloatArray) -> Sampled:
        """At growing instants, of which the first is zero. [s]"""
        end = float(time[-1])
        series = chebyshev.chebvander(2.0 * time / end - 1.0, _POINTS - 1)
        return cls(end=end, matrix=series @ _TO_SERIES)

    @property
    def points(self) -> FloatArray:
        """The instants at which curves are computed. [s]"""
        return np.asarray(0.5 * self.end * (1.0 + _CHEBYSHEV))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CoastCurve:
    """A curve by its start and its rates at m values of the shown quantity."""

    start: float  # at the first instant [x]
    nodes: FloatArray  # (m,) [x]
    rates: FloatArray  # (m,) [x/s]
    floor: float = 0.0  # below all values that matter: the curve rests there [x]

    @property
    def parameters(self) -> FloatArray:
        """Start and rates, (1 + m,)."""
        return np.concatenate([[self.start], self.rates])

    def moved(self, parameters: FloatArray) -> CoastCurve:
        """The curve of other parameters."""
        return CoastCurve(
            start=float(parameters[0]), nodes=self.nodes, rates=parameters[1:], floor=self.floor
        )

    def weights(self, x: FloatArray) -> FloatArray:
        """How the rate at each of n values is made of those at the nodes, (n, m)."""
        others = [np.delete(self.nodes, k) for k in range(len(self.nodes))]
        columns = [
            np.prod((x[:, None] - rest) / (node - rest), axis=1)
            for node, rest in zip(self.nodes, others, strict=True)
        ]
        return np.column_stack(columns)

    def rate(self, x: FloatArray) -> FloatArray:
        """Rate at each of n values, (n,). [x/s]"""
        return np.asarray(self.weights(x) @ self.rates)

    def at(self, time: FloatArray) -> FloatArray:
        """Values at n instants. [x]"""
        powers = np.vander(self.nodes - self.floor, increasing=True)
        lifted = np.zeros(3)
        lifted[: len(self.nodes)] = -np.linalg.solve(powers, self.rates)
        return self.floor + speed_after(time, self.start - self.floor, *lifted)

    def is_sound(self, where: Sampled) -> bool:
        """Whether it falls through all of a span, without coming to its floor."""
        x = self.at(where.points)
        return bool(np.all(np.isfinite(x)) and x[-1] > self.floor and x[0] > x[-1])

    def sampled(self, where: Sampled) -> FloatArray:
        """Values, (n,)."""
        with np.errstate(invalid="ignore"):  # of a try that grows beyond all measure
            return np.asarray(where.matrix @ self.at(where.points))

    def slopes(self, where: Sampled, bends: int = 0) -> FloatArray:
        r"""Slopes of the values in the parameters, (n, 1 + m + bends).

        With f the rate, a change of it by g moves the curve by
        :math:`f(x(t)) \int_0^t g(x(s)) / f(x(s))\, ds`, and one of the start by f(x)/f(start).

        Parameters
        ----------
        where : Sampled
            The instants.
        bends : int
            So many further changes of the rate are looked at: Legendre polynomials, over the
            range of the curve, of the orders that the three terms lack.
        """
        x = self.at(where.points)
        changes = np.column_stack([self.weights(x), *_bends(x, len(self.nodes), bends)])
        rate = self.rate(x)[:, None]
        moved = 0.5 * where.end * (_INTEGRAL @ (changes / rate))
        first = np.full((_POINTS, 1), 1.0 / self.rate(np.array([self.start]))[0])
        return np.asarray(where.matrix @ (rate * np.column_stack([first, moved])))


def _bends(x: FloatArray, order: int, count: int) -> list[FloatArray]:
    if not count:
        return []
    low, high = float(x.min()), float(x.max())
    u = 2.0 * (x - low) / (high - low) - 1.0
    return [legendre.legval(u, np.eye(order + k + 1)[-1]) for k in range(count)]


def fit_curve(
    time: FloatArray, x: FloatArray, weight: FloatArray, count: int
) -> tuple[CoastCurve, Sampled]:
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
    curve : CoastCurve
    where : Sampled
        The instants.
    """
    from scipy.optimize import least_squares

    where = Sampled.at(time)
    guess = _first_guess(time, x, weight, np.array(_PLACES[count]))
    size = np.abs(np.concatenate([[np.ptp(x)], np.full(count, np.ptp(x) / time[-1])]))

    def off(steps: FloatArray) -> FloatArray:
        found = (guess.moved(steps * size).sampled(where) - x) * weight
        return np.where(np.isfinite(found), found, 1e6 * np.ptp(x) * weight)

    def slope(steps: FloatArray) -> FloatArray:
        found = guess.moved(steps * size).slopes(where) * size * weight[:, None]
        return np.where(np.isfinite(found), found, 0.0)

    with np.errstate(all="ignore"):  # of a try on the way only
        found = least_squares(
            off, guess.parameters / size, slope, method="lm", max_nfev=_MOST_TRIES
        )
    return guess.moved(found.x * size), where


def _first_guess(
    time: FloatArray, x: FloatArray, weight: FloatArray, places: FloatArray
) -> CoastCurve:
    """By integrals of the readings, a straight problem: nothing is differentiated."""
    bottom, span = float(x.min()), float(np.ptp(x))
    lifted = 2.0 * (x - bottom) / span - 1.0
    powers = np.vander(lifted, len(places), increasing=True)
    steps = 0.5 * np.diff(time)[:, None] * (powers[1:] + powers[:-1])
    integrals = np.concatenate([np.zeros((1, len(places))), np.cumsum(steps, axis=0)])
    design = np.column_stack([np.ones(len(x)), integrals / time[-1]]) * weight[:, None]
    found = np.linalg.lstsq(design, x * weight, rcond=None)[0]
    rates = np.vander(2.0 * places - 1.0, len(places), increasing=True) @ found[1:] / time[-1]
    least = -0.05 * span / time[-1]  # a try that does not fall leads nowhere
    return CoastCurve(
        start=float(found[0]),
        nodes=bottom + span * places,
        rates=np.minimum(rates, least),
        floor=bottom - _LIFT * span,
    )
