r"""One heat run fitted: its heat path, the scatter of its readings, one body or two.

Least squares in all unknowns at once, the readings weighed by a scatter whose neighbours
hang together. At the best point everything but the heat path is taken as linear and put
into the covariance of the readings; what is left has two unknowns, or four.

Its limits are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.estimation.heat_model import HeatModel
from motorfit.estimation.heat_noise import Lined, Noise, effective_number, noise_of
from motorfit.estimation.heat_search import (
    Line,
    by_unknown_of,
    core_only,
    root_of,
    slopes_of,
    solve_all,
    solve_lower,
)

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
        core, unknown = solve_all(model, begun, nothing, scatter, hint, precision)
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
        root_size = root_of(one.line, np.diag(size * model.usual**2))
        core, _ = core_only(one.line, core, root_size, hint, precision, most=6)
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
            by_unknown = by_unknown_of(model, core, nothing)
            line = Line(model=model, unknown=nothing, by_unknown=by_unknown)
            core, _ = core_only(line, core, root_of(line, scatter), hint, precision, most=6)
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
    core, cost = core_only(fitted.line, core, root, fitted.hint, fitted.precision, most=5, held=1)
    left = solve_lower(root, fitted.line.residual(fitted.core))
    pull = float(fitted.precision @ (fitted.core - fitted.hint) ** 2)
    return core, cost + float(fitted.precision[1]) * (lag - fitted.hint[1]) ** 2 - float(
        left @ left + pull
    )


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
