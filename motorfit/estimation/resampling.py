r"""Resamples of a bench: what its readings and instruments might as well have been.

*Monte Carlo* draws every error within what is known of it and takes it off the readings
(JCGM 101): instruments rectangular where theirs are, the readings' own errors with the
fitted scales or, those being estimates, with others that the residuals would allow.

The *bootstrap* lets the readings themselves tell what their errors are, see
`motorfit.estimation.bootstrap`.

An instrument's error is drawn as the mean of its prior. In the linear case the estimates
then scatter with exactly the covariance of the fit.
"""

from __future__ import annotations

import numpy as np
from scipy.special import ndtri

from motorfit.arrays import FloatArray
from motorfit.estimation.joint import Joint, open_soft
from motorfit.estimation.rows import TORQUE, Nuisance
from motorfit.estimation.solver import Soft
from motorfit.estimation.together import Resamples, solve_together
from motorfit.estimation.uncertainty import Uncertainty, beyond_bounds, moved_along

#: Half-width of a rectangle, in standard deviations.
_HALF_WIDTH = 3.0**0.5


def monte_carlo(
    uncertainty: Uncertainty, log_variance: FloatArray, rng: np.random.Generator
) -> Resamples:
    """Resamples with every error drawn within what is known of it.

    Parameters
    ----------
    uncertainty : Uncertainty
        Of a solved bench.
    log_variance : ndarray, shape (B, c)
        Scales of scatter of each resample.
    rng : numpy.random.Generator
        Where chance comes from.

    Returns
    -------
    Resamples
        The first of them is the bench as it is, the other B are drawn.
    """
    shift = draw_reading_errors(uncertainty.joint, log_variance, rng) * uncertainty.widening**0.5
    mean = draw_means(uncertainty, log_variance, rng)
    return Resamples(shift=with_itself(shift, 0.0), mean=mean)


def with_itself(drawn: FloatArray, itself: FloatArray | float) -> FloatArray:
    """Draws (B, ...) behind the bench as it is, (B + 1, ...)."""
    first = np.broadcast_to(np.asarray(itself, float), drawn.shape[1:])
    return np.concatenate([first[None], drawn])


def draw_reading_errors(
    joint: Joint, log_variance: FloatArray, rng: np.random.Generator
) -> FloatArray:
    """Errors in what was shown, with the friction that wanders in the torque, (B, n, 4)."""
    conditions, theta = joint.problem.conditions, joint.solution.theta
    count = log_variance.shape[1]
    rounding = _HALF_WIDTH * np.sqrt(np.diagonal(conditions.rounding, axis1=1, axis2=2))
    patterns = np.empty((count, *rounding.shape))
    for index, alone in enumerate(np.eye(count)):
        patterns[index] = np.diagonal(conditions.patterned(index), axis1=1, axis2=2)
        # what the torque equation lacks is as good as an error of the torque
        patterns[index, :, TORQUE] += conditions.own_variance(theta, alone)[:, 1, 1]
    shape = (len(log_variance), *rounding.shape)
    deviation = np.sqrt(np.tensordot(np.exp(log_variance), patterns, axes=1))
    drawn = rounding * rng.uniform(-1.0, 1.0, shape) + deviation * rng.normal(size=shape)
    return np.asarray(drawn)


def draw_means(
    uncertainty: Uncertainty, log_variance: FloatArray, rng: np.random.Generator
) -> FloatArray:
    """Prior means of the r nuisances with their errors drawn, itself first, (B + 1, r)."""
    nuisances = uncertainty.joint.problem.assembled.nuisances
    columns = [_draw_error(each, log_variance, uncertainty.widening, rng) for each in nuisances]
    drawn = np.stack(columns, axis=-1) if columns else np.zeros((len(log_variance), 0))
    mean = np.array([nuisance.mean for nuisance in nuisances])
    return mean + with_itself(drawn, 0.0)


def _draw_error(
    nuisance: Nuisance, log_variance: FloatArray, widening: float, rng: np.random.Generator
) -> FloatArray:
    chance = _even_chances(len(log_variance), rng)
    if nuisance.shape == "rectangular":
        unit = _HALF_WIDTH * (2.0 * chance - 1.0)
    else:
        unit = np.asarray(ndtri(chance))
    if nuisance.error == "effect":
        unit = unit * widening**0.5
    if nuisance.component is not None:
        unit = unit * np.exp(0.5 * log_variance[:, nuisance.component])
    return np.asarray(nuisance.deviation * unit)


def _even_chances(count: int, rng: np.random.Generator) -> FloatArray:
    """Chances between 0 and 1 in random order, one in each of ``count`` equal parts.

    An error that decides an interval alone then has its quantiles almost without chance
    (Latin hypercube sampling: M. D. McKay et al., Technometrics 21 (1979) 239).
    """
    return np.asarray((rng.permutation(count) + rng.uniform(size=count)) / count)


def solve_resamples(
    uncertainty: Uncertainty, resamples: Resamples, rng: np.random.Generator
) -> FloatArray | None:
    """What the machine parameters of each resample are off the estimate, (at most B, p).

    They are solved without bounds, and measured from where the bench as it is would go
    without bounds: so they lie about the estimate, which may be on its bound.

    Parameters
    ----------
    uncertainty : Uncertainty
        Of the solved bench.
    resamples : Resamples
        The bench as it is, then B of them.
    rng : numpy.random.Generator
        For what the model lacks where the best fit lies beyond a bound.

    Returns
    -------
    ndarray, or None
        None if fewer than 95 % settle, or the bench as it is does not.
    """
    joint = uncertainty.joint
    soft = open_soft(joint.problem, joint.standing.open)
    solved = solve_together(
        joint.problem,
        joint.solution,
        joint.scales.log_variance,
        resamples,
        soft=soft,
        bounded=False,
    )
    machine = solved.theta[:, : len(joint.machine)]
    sound = solved.settled & np.all(np.isfinite(machine), axis=1)
    if not (sound[0] and np.mean(sound) >= _ENOUGH):
        return None
    deviations = machine[1:][sound[1:]] - machine[0]
    return np.asarray(deviations + _beside_the_readings(joint, soft, len(deviations), rng))


def _beside_the_readings(
    joint: Joint, soft: Soft | None, count: int, rng: np.random.Generator
) -> FloatArray:
    """What no reading shows: plausible sizes of open directions, and what the model lacks."""
    machine = len(joint.machine)
    deviations = np.zeros((count, machine))
    if soft is not None:
        held = soft.directions[:, :machine]
        deviations += rng.normal(size=(count, len(held))) @ held @ joint.covariance
    short = beyond_bounds(joint)
    for index in np.flatnonzero(short):
        chance = rng.normal(size=count)
        deviations += np.outer(short[index] * chance, moved_along(joint, index))
    if joint.hinted is not None:
        deviations += rng.normal(size=(count, len(joint.hinted))) @ joint.hinted
    return deviations


#: Share of the resamples that has to settle; the others are left out.
_ENOUGH = 0.95
