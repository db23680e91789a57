"""The four ways to an interval, and which one a fit takes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from numbers import Integral
from typing import get_args

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.estimation.intervals import Drawn, Linear, Method, Way
from motorfit.estimation.uncertainty import Uncertainty

#: The way of the command line, and of `motorfit.fit` unless another is asked for.
DEFAULT: Method = "linear"

#: Draws of "bootstrap" and "monte-carlo": the ends of a 95 % interval repeat to about 3 %.
DRAWS = 2000

#: Where their chance starts unless told otherwise.
SEED = 1

_FEWEST_DRAWS = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What is asked of the intervals of a fit."""

    level: float
    method: Method = DEFAULT
    draws: int = DRAWS
    seed: int = SEED


def check_method(method: str, draws: int, seed: int) -> None:
    """Refuse a way that does not exist, too few draws, and a seed that starts nothing.

    Raises
    ------
    ValueError
        With what would do.
    """
    known = get_args(Method)
    if method not in known:
        names = ", ".join(map(repr, known))
        raise ValueError(f"interval must be one of {names}, found {method!r}")
    for name, number, least in (("draws", draws, _FEWEST_DRAWS), ("seed", seed, 0)):
        if not isinstance(number, Integral):
            raise ValueError(f"{name} must be a whole number, found {number!r}")
        if number < least:
            raise ValueError(f"{name} must be at least {least}, found {number!r}")


def by_way(uncertainty: Uncertainty, wanted: Wanted) -> Uncertainty:
    """The same uncertainty with its intervals made as wanted.

    Parameters
    ----------
    uncertainty : Uncertainty
        Of a solved bench.
    wanted : Wanted
        Method, level, draws and seed.

    Returns
    -------
    Uncertainty
    """
    if wanted.method == "linear":
        return uncertainty
    return replace(uncertainty, way=_way(uncertainty, wanted))


def _way(uncertainty: Uncertainty, wanted: Wanted) -> Way:
    if wanted.method == "profile":
        from motorfit.estimation.profile_intervals import profile_intervals

        return profile_intervals(uncertainty, wanted.level)
    return _drawn(uncertainty, wanted)


def _drawn(uncertainty: Uncertainty, wanted: Wanted) -> Way:
    from motorfit.estimation.bootstrap import bootstrap
    from motorfit.estimation.resampling import monte_carlo, solve_resamples
    from motorfit.estimation.scale_draws import draw_scales, held_scales

    joint, rng = uncertainty.joint, np.random.default_rng(wanted.seed)
    resampled = wanted.method == "bootstrap"
    # a robust fit has no likelihood to draw its scales from; held, they leave the intervals to
    # be widened by Student's quantile over the normal one
    held = resampled or joint.problem.held is not None
    scales = held_scales(joint, wanted.draws) if held else draw_scales(joint, wanted.draws, rng)
    resamples = (bootstrap if resampled else monte_carlo)(uncertainty, scales, rng)
    deviations = solve_resamples(uncertainty, resamples, rng)
    if deviations is None:
        return Linear(notes=(_FELL_BACK.format(wanted.method),))
    return Drawn(method=wanted.method, deviations=deviations, few=held)


_FELL_BACK = "intervals made linearly: too many resamples of the {} way had no solution"


def drawn_parameters(uncertainty: Uncertainty) -> Mapping[str, FloatArray] | None:
    """Draws of the free machine parameters by name, where the way has draws."""
    way = uncertainty.way
    if not isinstance(way, Drawn):
        return None
    joint = uncertainty.joint
    draws = joint.machine + way.deviations
    return dict(zip(joint.problem.names, draws.T, strict=True))
