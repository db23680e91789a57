"""Intervals of linear combinations of the parameters: what is asked, and who answers.

An `Uncertainty` asks its `Way` for every interval, so that parameters, combinations,
directions and turning loss all get theirs in the same manner.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, Protocol

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.estimate import coverage_factor

#: The ways to an interval, by the names of `motorfit.fit`'s ``interval``.
Method = Literal["linear", "profile", "bootstrap", "monte-carlo"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Asked:
    """One linear combination of p machine parameters that wants an interval."""

    weights: FloatArray  # (p,)
    value: float
    deviation: float  # standard uncertainty
    degrees_of_freedom: float  # effective
    lower: float  # physical bound
    level: float  # coverage

    @property
    def at_bound(self) -> bool:
        """Whether the estimate lies on its bound."""
        return self.value <= self.lower


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """An interval, and how it came about."""

    interval: tuple[float, float]
    method: Method


class Way(Protocol):
    """A way to an interval."""

    @property
    def notes(self) -> tuple[str, ...]:
        """Where it failed and the linear way stood in: a sentence each."""

    def interval(self, asked: Asked) -> Made:
        """The interval of one linear combination."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Linear:
    """Student's quantile times the standard uncertainty, cut at the bound.

    An estimate on its bound has a one-sided interval, from the bound to the upper end of
    the two-sided one. The one-sided quantile in its place, 1.645 for 95 %, would hold a truth
    just above 1.645 standard uncertainties 92.5 times in a hundred: estimates on the bound
    would miss it as well as those far above it.
    """

    notes: tuple[str, ...] = ()

    def interval(self, asked: Asked) -> Made:
        """The interval of one linear combination (JCGM 100, G.3)."""
        factor = coverage_factor(asked.level, asked.degrees_of_freedom).item()
        half_width = factor * asked.deviation
        low = asked.lower if asked.at_bound else max(asked.lower, asked.value - half_width)
        return Made(interval=(low, asked.value + half_width), method="linear")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drawn:
    """Quantiles of draws, as probable below as above; cut at the bound (JCGM 101, 7.7)."""

    method: Method
    deviations: FloatArray  # (B, p): draws less the estimate
    notes: tuple[str, ...] = ()
    few: bool = False  # widen for the degrees of freedom, which these draws do not know

    def interval(self, asked: Asked) -> Made:
        """The interval of one linear combination."""
        deviations = self.deviations @ asked.weights
        tail = 0.5 * (1.0 - asked.level)
        below, above = np.quantile(deviations, [tail, 1.0 - tail])
        if self.few:
            wider = coverage_factor(asked.level, [asked.degrees_of_freedom, np.inf])
            below, above = np.array([below, above]) * wider[0] / wider[1]
        low = asked.lower if asked.at_bound else max(asked.lower, asked.value + float(below))
        high = max(low, asked.value + float(above))
        return Made(interval=(low, high), method=self.method)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Profiled:
    """Intervals of single parameters from the profile of the sum of squares.

    Every other combination gets the linear interval.
    """

    ends: Mapping[int, tuple[float, float]]  # by the place of the parameter
    notes: tuple[str, ...] = ()
    linear: Linear = field(default_factory=Linear)

    def interval(self, asked: Asked) -> Made:
        """The interval of one linear combination."""
        place = int(np.argmax(asked.weights))
        alone = np.count_nonzero(asked.weights) == 1 and asked.weights[place] == 1.0
        if not alone or place not in self.ends:
            return self.linear.interval(asked)
        low, high = self.ends[place]
        return Made(interval=(max(asked.lower, low), high), method="profile")
