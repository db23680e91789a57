"""Least squares of a heat run: Gauss and Newton's steps in the core, or in everything."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.linalg import solve_triangular

from motorfit.arrays import FloatArray
from motorfit.estimation.heat_model import HeatModel

#: Steps of the derivatives: of logarithms, and of unknowns in their own uncertainty.
_STEP, _UNKNOWN_STEP = 1e-5, 1e-2

#: Of Gauss and Newton: how many steps, how often halved, how long, and when they are done.
_MOST_STEPS, _HALVINGS, _LONGEST_STEP, _SETTLED = 12, 6, 1.5, 1e-3


@dataclass(frozen=True, kw_only=True, eq=False)
class Line:
    """A model in which all but the core is linear about some point."""

    model: HeatModel
    unknown: FloatArray
    by_unknown: FloatArray

    @cached_property
    def heat(self) -> tuple[FloatArray, FloatArray]:
        """Of the model, which is the same for every core."""
        return self.model.heat(self.unknown)

    def residual(self, core: FloatArray) -> FloatArray:
        """Readings less what a core makes of them, all else at its usual value, (m,)."""
        predicted = self.model.predict(core, self.unknown, heat=self.heat)
        return np.asarray(self.model.shown - predicted + self.by_unknown @ self.unknown)


def root_of(line: Line, scatter: FloatArray) -> FloatArray:
    """Of the covariance of the readings with everything unknown but the core."""
    return np.asarray(np.linalg.cholesky(scatter + line.by_unknown @ line.by_unknown.T))


def core_only(
    line: Line,
    core: FloatArray,
    root: FloatArray,
    hint: FloatArray,
    precision: FloatArray,
    *,
    most: int,
    held: int | None = None,
) -> tuple[FloatArray, float]:
    """Least squares in the core, one of it perhaps held, all else linear; and its cost."""
    free = [place for place in range(len(core)) if place != held]
    pull = np.sqrt(precision)

    def parts(core: FloatArray) -> FloatArray:
        return solve_lower(root, line.residual(core))

    def slopes(core: FloatArray, before: FloatArray) -> FloatArray:
        steps = _STEP * np.eye(len(core))[free]
        return np.column_stack([(parts(core + step) - before) / _STEP for step in steps])

    def prior(core: FloatArray) -> FloatArray:
        return np.asarray((pull * (hint - core))[free])

    return _gauss_newton(core, free, parts, slopes, prior, -np.diag(pull)[free][:, free], most)


def _gauss_newton(
    theta: FloatArray,
    free: list[int],
    parts: Callable[[FloatArray], FloatArray],
    slopes: Callable[[FloatArray, FloatArray], FloatArray],
    prior: Callable[[FloatArray], FloatArray],
    by_prior: FloatArray,
    most: int,
) -> tuple[FloatArray, float]:
    """Gauss and Newton's steps, halved where they would climb, until they bring nothing."""
    here = parts(theta)
    cost = float(here @ here + prior(theta) @ prior(theta))
    for _ in range(most):
        design = np.concatenate([slopes(theta, here), by_prior])
        step = np.linalg.lstsq(design, -np.concatenate([here, prior(theta)]))[0]
        step = step * min(1.0, _LONGEST_STEP / max(float(np.max(np.abs(step))), 1e-12))
        for _half in range(_HALVINGS):
            tried = theta.copy()
            tried[free] += step
            try:
                there = parts(tried)
            except ValueError:  # a heat path that runs away
                there = np.full(here.shape, np.inf)
            less = float(there @ there + prior(tried) @ prior(tried))
            if less <= cost:
                break
            step = 0.5 * step
        else:
            break
        gained, theta, here, cost = cost - less, tried, there, less
        if gained < _SETTLED:
            break
    return theta, cost


def solve_lower(root: FloatArray, of: FloatArray) -> FloatArray:
    """Whitened by the root of a covariance."""
    return np.asarray(solve_triangular(root, of, lower=True, check_finite=False))


def solve_all(
    model: HeatModel,
    core: FloatArray,
    unknown: FloatArray,
    scatter: FloatArray,
    hint: FloatArray,
    precision: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Least squares in core and unknowns with this scatter of the readings."""
    root, count = np.asarray(np.linalg.cholesky(scatter)), len(core)

    def parts(theta: FloatArray) -> FloatArray:
        return solve_lower(root, model.shown - model.predict(theta[:count], theta[count:]))

    def slopes(theta: FloatArray, _before: FloatArray) -> FloatArray:
        return -solve_lower(root, np.column_stack(slopes_of(model, theta[:count], theta[count:])))

    def prior(theta: FloatArray) -> FloatArray:
        pull = np.sqrt(precision) * (hint - theta[:count])
        return np.concatenate([pull, -theta[count:]])

    theta = np.concatenate([core, unknown])
    by_prior = -np.diag(np.concatenate([np.sqrt(precision), np.ones(len(unknown))]))
    theta, _ = _gauss_newton(
        theta, list(range(len(theta))), parts, slopes, prior, by_prior, _MOST_STEPS
    )
    return theta[:count], theta[count:]


def slopes_of(
    model: HeatModel, core: FloatArray, unknown: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Change of the prediction with the core (m, c) and with each unknown (m, u)."""
    return _by_core(model, core, unknown), by_unknown_of(model, core, unknown)


def _by_core(model: HeatModel, core: FloatArray, unknown: FloatArray) -> FloatArray:
    """Change of the prediction with the core, (m, c)."""
    steps = _STEP * np.eye(len(core))
    before = model.predict(core, unknown)
    return np.column_stack(
        [(model.predict(core + step, unknown) - before) / _STEP for step in steps]
    )


def by_unknown_of(model: HeatModel, core: FloatArray, unknown: FloatArray) -> FloatArray:
    """Change of the prediction with each unknown, (m, u)."""
    whole = np.concatenate([np.zeros((1, len(unknown))), _UNKNOWN_STEP * np.eye(len(unknown))])
    predicted = model.predict(core, unknown + whole)
    return np.asarray((predicted[1:] - predicted[0]).T / _UNKNOWN_STEP)
