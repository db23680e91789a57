r"""One heat run fitted: its heat path, the scatter of its readings, one body or two.

Least squares in all unknowns at once, the readings weighed by a scatter whose neighbours
hang together. At the best point everything but the heat path is taken as linear and put
into the covariance of the readings; what is left has two unknowns, or four.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_triangular

from motorfit.arrays import FloatArray
from motorfit.estimation.heat_model import HeatModel
from motorfit.estimation.heat_noise import Lined, Noise, effective_number, noise_of

#: Time constants between which a fit starts, relative to how long the heating took.
_STARTS = (0.15, 0.5, 1.5)

#: The same for the winding of two bodies, relative to that of the frame, with its share.
_WINDING_STARTS = ((0.02, 0.15), (0.1, 0.3))

#: Logarithm of the time constant: as long as the run, give or take this. A hint only, so that
#: a run of minutes does not end at a time constant of years.
_LAG_DOUBT = 2.0

#: Logarithms of the winding's time constant over the frame's, and logit of its share.
_WINDING_LAG, _WINDING_LAG_DOUBT = -2.5, 1.2
_WINDING_SHARE, _WINDING_SHARE_DOUBT = -1.0, 1.5

#: Two bodies must raise twice the log likelihood by so much: chance alone does it once in
#: a few thousand runs (chi-square with two degrees of freedom: 16.3 is 1 in 3,500).
DEMANDED = 16.3

#: Fewer readings than this tell no second body.
FEWEST_FOR_TWO = 12

_ROUNDS = 3

#: Median of the size of a normal deviate of variance one.
_MEDIAN_OF_NORMAL = 0.6745

#: Steps of the derivatives: of logarithms, and of unknowns in their own uncertainty.
_STEP, _UNKNOWN_STEP = 1e-5, 1e-2

#: Of Gauss and Newton: how many steps, how often halved, how long, and when they are done.
_MOST_STEPS, _HALVINGS, _LONGEST_STEP, _SETTLED = 12, 6, 1.5, 1e-3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Line:
    """A model in which all but the core is linear about some point."""

    model: HeatModel
    unknown: FloatArray
    by_unknown: FloatArray

    def residual(self, core: FloatArray) -> FloatArray:
        """Readings less what a core makes of them, all else at its usual value, (m,)."""
        predicted = self.model.predict(core, self.unknown)
        return np.asarray(self.model.shown - predicted + self.by_unknown @ self.unknown)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fitted:
    """A heat run fitted with c core unknowns (two a body), u others and m readings."""

    model: HeatModel
    core: FloatArray  # (c,) logarithms; see `HeatModel.bodies`
    unknown: FloatArray  # (u,)
    noise: Noise
    scatter: FloatArray  # (m, m) of the readings alone
    marginal: FloatArray  # (m, m) with all that is unknown besides the core
    by_core: FloatArray  # (m, c) slopes
    by_unknown: FloatArray  # (m, u) slopes
    precision: FloatArray  # (c,) of the hints
    hint: FloatArray  # (c,)

    @property
    def covariance(self) -> FloatArray:
        """Of the core, (c, c)."""
        information = self.by_core.T @ np.linalg.solve(self.marginal, self.by_core)
        return np.linalg.inv(information + np.diag(self.precision))

    @property
    def gain(self) -> FloatArray:
        """Change of the core with each reading, (c, m)."""
        return np.asarray(self.covariance @ np.linalg.solve(self.marginal, self.by_core).T)

    @property
    def sensitivity(self) -> FloatArray:
        """Change of the core with the true value of each unknown, (c, u)."""
        return np.asarray(-self.gain @ self.by_unknown)

    @property
    def effective(self) -> float:
        """How many independent readings these are worth."""
        return effective_number(self.scatter)

    @property
    def line(self) -> Line:
        """The model with all but the core linear about the best point."""
        return Line(model=self.model, unknown=self.unknown, by_unknown=self.by_unknown)


def hints(model: HeatModel, bodies: int) -> tuple[FloatArray, FloatArray]:
    """Middle and precision of the hints for the core, (c,) each; none for the resistance."""
    lag = float(np.log(model.readings.end + model.readings.usual_step))
    middle, doubt = [0.0, lag], [np.inf, _LAG_DOUBT]
    if bodies == 2:
        middle += [_WINDING_SHARE, lag + _WINDING_LAG]
        doubt += [_WINDING_SHARE_DOUBT, _WINDING_LAG_DOUBT]
    return np.array(middle), 1.0 / np.array(doubt) ** 2


def fit_bodies(model: HeatModel, bodies: int) -> Fitted:
    """The best heat path of one body or of two.

    Parameters
    ----------
    model : HeatModel
        Of one run.
    bodies : int
        One or two.

    Returns
    -------
    Fitted

    Raises
    ------
    ValueError
        If nothing fits: the rise does not settle, or the readings are too few.
    """
    hint, precision = hints(model, bodies)
    scatter = np.diag(_first_variance(model))
    begun, nothing = _begin(model, bodies, scatter, hint, precision), _nothing(model)
    for _ in range(_ROUNDS):
        # from the usual values each time: a scatter that was wrong has led astray
        core, unknown = _solve(model, begun, nothing, scatter, hint, precision)
        by_core, by_unknown = slopes_of(model, core, unknown)
        noise = noise_of(
            Lined(
                time=model.time,
                usual=model.usual,
                count=model.readings.count[model.told],
                residual=model.shown - model.predict(core, unknown),
                design=np.column_stack([by_core, by_unknown]),
                precision=np.concatenate([precision, np.ones(len(unknown))]),
                away=np.concatenate([core - hint, unknown]),
            )
        )
        scatter = noise.covariance(model.time, model.usual, model.readings.count[model.told])
    return Fitted(
        model=model,
        core=core,
        unknown=unknown,
        noise=noise,
        scatter=scatter,
        marginal=scatter + by_unknown @ by_unknown.T,
        by_core=by_core,
        by_unknown=by_unknown,
        precision=precision,
        hint=hint,
    )


def better_fit(model: HeatModel) -> tuple[Fitted, float]:
    """One body, or two where the readings demand them; twice the gain of log likelihood.

    Parameters
    ----------
    model : HeatModel
        Of one run.

    Returns
    -------
    Fitted
        Of the chosen number of bodies.
    gain : float
        What two bodies brought; NaN where they were not tried.

    Raises
    ------
    ValueError
        If nothing fits.
    """
    one = fit_bodies(model, 1)
    if len(model.shown) < FEWEST_FOR_TWO or _quick_gain(one) < DEMANDED:
        return one, np.nan
    try:
        two = fit_bodies(model, 2)
    except (ValueError, np.linalg.LinAlgError):
        return one, np.nan
    gain = 2.0 * (two.noise.likelihood - one.noise.likelihood)
    apart = two.core[1] - two.core[3] > np.log(3.0)
    return (two if gain > DEMANDED and apart else one), gain


def _quick_gain(one: Fitted) -> float:
    """What a second body would bring were the scatter of neighbours independent: at most."""
    model = one.model
    hint, precision = hints(model, 2)
    root = one.by_unknown / model.usual[:, None]
    left = one.line.residual(one.core) / model.usual
    size = max(float(np.mean(_alone(root, left, 1.0) ** 2)), 1e-6)
    before = _chi_square(root, left, size)
    lag = float(np.exp(one.core[1]))
    after = before
    for short, share in _WINDING_STARTS:
        core = np.append(one.core, [np.log(share / (1.0 - share)), np.log(short * lag)])
        root_size = _root(one.line, np.diag(size * model.usual**2))
        core, _ = _core_only(one.line, core, root_size, hint, precision, most=6)
        left = one.line.residual(core) / model.usual
        after = min(after, _chi_square(root, left, size))
    return len(left) * float(np.log(before / after))


def _alone(root: FloatArray, left: FloatArray, size: float) -> FloatArray:
    """What of whitened residuals the unknowns (m, u) do not take, with scatter ``size``."""
    inner = root.T @ root + size * np.eye(root.shape[1])
    return np.asarray(left - root @ np.linalg.solve(inner, root.T @ left))


def _chi_square(root: FloatArray, left: FloatArray, size: float) -> float:
    return float(left @ _alone(root, left, size)) / size


def _nothing(model: HeatModel) -> FloatArray:
    """Every unknown at its usual value, (u,)."""
    return np.zeros(len(model.errors.unknowns))


def _first_variance(model: HeatModel) -> FloatArray:
    """Of the readings, by how far each is from the middle of its neighbours, (m,).

    Not less than usual. What a warming bends between readings far apart passes for scatter
    here; this is only a start.
    """
    relative = model.shown / model.usual
    if len(relative) < 3:
        return np.asarray(model.usual**2)
    bent = relative[2:] - 2.0 * relative[1:-1] + relative[:-2]
    size = float(np.median(np.abs(bent))) / (_MEDIAN_OF_NORMAL * 6.0**0.5)
    return np.asarray(model.usual**2 * max(size, 1.0) ** 2)


def _begin(
    model: HeatModel,
    bodies: int,
    scatter: FloatArray,
    hint: FloatArray,
    precision: FloatArray,
) -> FloatArray:
    """The best core of a few starts, each followed for a little while."""
    nothing, deviation = _nothing(model), np.sqrt(np.diag(scatter))
    found = []
    for part in _STARTS:
        lag = part * model.readings.end
        for short, share in _WINDING_STARTS if bodies == 2 else ((0.1, 0.5),):
            core = np.log([_first_resistance(model, lag, nothing), lag])
            if bodies == 2:
                core = np.append(core, [np.log(share / (1.0 - share)), np.log(short * lag)])
            by_unknown = _by_unknown(model, core, nothing)
            line = Line(model=model, unknown=nothing, by_unknown=by_unknown)
            core, _ = _core_only(line, core, _root(line, scatter), hint, precision, most=6)
            root, left = by_unknown / deviation[:, None], line.residual(core) / deviation
            found.append((_chi_square(root, left, 1.0), core))
    return min(found, key=lambda each: each[0])[1]


def along_lag(fitted: Fitted, start: FloatArray, lag: float) -> tuple[FloatArray, float]:
    """The best core at another logarithm of the time constant, and what it costs.

    Parameters
    ----------
    fitted : Fitted
        The best of all.
    start : ndarray, shape (c,)
        Where to begin.
    lag : float
        The logarithm that is held.

    Returns
    -------
    core : ndarray, shape (c,)
    cost : float
        Sum of squares above the best one.
    """
    core, root = start.copy(), np.asarray(np.linalg.cholesky(fitted.marginal))
    core[1] = lag
    core, cost = _core_only(fitted.line, core, root, fitted.hint, fitted.precision, most=5, held=1)
    left = solve_lower(root, fitted.line.residual(fitted.core))
    pull = float(fitted.precision @ (fitted.core - fitted.hint) ** 2)
    return core, cost + float(fitted.precision[1]) * (lag - fitted.hint[1]) ** 2 - float(
        left @ left + pull
    )


def _root(line: Line, scatter: FloatArray) -> FloatArray:
    """Of the covariance of the readings with everything unknown but the core."""
    return np.asarray(np.linalg.cholesky(scatter + line.by_unknown @ line.by_unknown.T))


def _core_only(
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


def _first_resistance(model: HeatModel, lag: float, unknown: FloatArray) -> float:
    """A thermal resistance that gives about the rise that was read. [K/W]"""
    power, _ = model.heat(unknown)
    mean = float(np.mean(power)) or 1.0
    if model.by_voltage:
        current = np.abs(model.true_current(unknown)[model.told])
        ratio = np.abs(model.shown) / current
        hot = float(np.max(ratio[model.readings.heating[model.told]]) / ratio[0] - 1.0)
        rise = hot * (model.winding_constant + 20.0)
    else:
        rise = float(np.ptp(model.shown))
    reached = -np.expm1(-model.readings.end / lag)
    return float(max(rise, 1.0) / reached / mean)


def _solve(
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
    return _by_core(model, core, unknown), _by_unknown(model, core, unknown)


def _by_core(model: HeatModel, core: FloatArray, unknown: FloatArray) -> FloatArray:
    """Change of the prediction with the core, (m, c)."""
    steps = _STEP * np.eye(len(core))
    before = model.predict(core, unknown)
    return np.column_stack(
        [(model.predict(core + step, unknown) - before) / _STEP for step in steps]
    )


def _by_unknown(model: HeatModel, core: FloatArray, unknown: FloatArray) -> FloatArray:
    """Change of the prediction with each unknown, (m, u)."""
    whole = np.concatenate([np.zeros((1, len(unknown))), _UNKNOWN_STEP * np.eye(len(unknown))])
    predicted = model.predict(core, unknown + whole)
    return np.asarray((predicted[1:] - predicted[0]).T / _UNKNOWN_STEP)
