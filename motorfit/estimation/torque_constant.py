r"""The torque constant by itself, against the EMF constant: a check with its number.

By energy both are one number in SI, and the joint fit takes them as one. Here they are let
apart: of the rows whose torque was read,

.. math:: \tau = (k + \delta)\, m\, i - \lambda', \qquad \lambda' = T_0' + b' \omega

with a loss of their own where other rows tell of the loss as well, so that a torque scale that
is wrong as a whole does not hide behind the loss of the runs by itself. The equations are
linear in :math:`\delta`, so one step from the joint fit is the whole way.

Its limits are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace

import numpy as np

from motorfit.arrays import FloatArray, IntArray
from motorfit.estimate import Estimate, coverage_factor
from motorfit.estimation.joint import Joint, nuisance_design
from motorfit.estimation.judging import with_directions
from motorfit.estimation.physics import K
from motorfit.estimation.result import TorqueConstant
from motorfit.estimation.rows import CURRENT, READ_TORQUE, SPEED, TORQUE
from motorfit.estimation.scatter import (
    Projected,
    Scales,
    Stacked,
    effective_degrees_of_freedom,
    estimate_scales,
    project,
    variance_slopes,
)
from motorfit.estimation.uncertainty import Uncertainty
from motorfit.finding import Finding

#: A ratio with a larger standard uncertainty than this checks nothing.
KNOWN_TO = 0.2

#: Constants are called different beyond this level of a two-sided test: of two, one in 300.
_DIFFERENT = 0.9985

#: Agreement within more than this is no news. [%]
_NO_NEWS = 20.0

#: Speeds that vary by less than this factor tell no line of the loss.
_SPAN = 1.3

#: A ratio is one of the factors below within this, or within its interval.
_NEAR = 0.05

#: What makes the torque constant so many times the EMF constant.
_FACTORS: tuple[tuple[float, str], ...] = (
    (1 / 9.80665, "a force in kg or kgf under a header in newtons (a factor of 9.81)"),
    (9.80665, "a force in newtons under a header in kg or kgf (a factor of 9.81)"),
    (2.0, "a lever taken twice as long as it is, or a mark on the shaft that was counted twice"),
    (0.5, "a lever taken half as long as it is, or every second mark on the shaft counted"),
    (1000.0, "mN m under a header in N m, g under one in kg, or mm under one in m"),
    (0.001, "mA under a header in A, or N m under one in mN m"),
    (10.0, "the arm in mm under a header in cm"),
    (0.1, "the arm in cm under a header in mm"),
)


def torque_constant(uncertainty: Uncertainty, level: float) -> TorqueConstant | None:
    """Newton metres per ampere, apart from volts per rad/s.

    Parameters
    ----------
    uncertainty : Uncertainty
        Of the solved bench.
    level : float
        Coverage of the intervals.

    Returns
    -------
    TorqueConstant or None
        None where no torque was read under current, or nothing tells the EMF constant by
        itself, or both together do not tell the ratio.
    """
    joint = uncertainty.joint
    rows = _under_current(joint)
    voltage = joint.problem.conditions.present[:, 0] & joint.problem.conditions.rows.turning
    if not len(rows) or K not in joint.problem.free or not voltage.any():
        return None
    own = _apart(uncertainty, rows, _own_loss(joint, rows), level)
    if own is None:
        own = _apart(uncertainty, rows, [], level)
    return own


#: Findings that say the same, or that leave nothing to say of the constants.
_TOLD = frozenset({"constants-differ", "constant-off-torque", "voltage-current-mixed"})


def torque_constant_findings(
    constant: TorqueConstant | None, told: Collection[str] = ()
) -> list[Finding]:
    """Good news where both constants are one number, and a finding where they are not.

    Parameters
    ----------
    constant : TorqueConstant or None
        From `torque_constant`.
    told : collection of str
        Kinds of other findings: what they say is not said again.
    """
    if constant is None or _TOLD & set(told):
        return []
    ratio = constant.ratio
    size = 100 * abs(ratio.value)
    limit = 100 * _limit(ratio)
    if size <= limit:
        if limit > _NO_NEWS:
            return []
        return [
            Finding(
                kind="constants-agree",
                where="bench",
                says="Newton metres per ampere and volts per rad/s are one number, as they must "
                f"be, within {limit:.2g} %.",
                severity="good",
                damage=0.0,
            )
        ]
    times = 1 + ratio.value
    off = f"{size:.2g} % {'more' if ratio.value > 0 else 'less'} than"
    if not 0.6 < times < 1.7:
        off = f"{times:.3g} times the"
    return [
        Finding(
            kind="constants-differ",
            where="bench",
            says=f"Newton metres per ampere are {off} volts per rad/s, and by energy they are one "
            f"number. That is {size / 100 / ratio.standard_uncertainty:.1f} times what the meters "
            "allow.",
            suggestion=factor_told(constant)
            or "Check the arm's length, the scale with a known weight, and the speed meter.",
            damage=size / 100 / ratio.standard_uncertainty,
        )
    ]


def with_factor(faults: Iterable[Finding], constant: TorqueConstant | None) -> list[Finding]:
    """The findings of the fit, with the likely slip behind constants that differ."""
    slip = factor_told(constant) if constant is not None else ""
    return [
        replace(each, suggestion=slip) if slip and each.kind == "constants-differ" else each
        for each in faults
    ]


def factor_told(constant: TorqueConstant) -> str:
    """The slip that makes such a ratio, as a suggestion; "" where none is known to."""
    times = 1 + constant.ratio.value
    near = max(_NEAR, min(0.15, 2 * constant.ratio.standard_uncertainty / max(times, 1e-9)))
    for factor, slip in _FACTORS:
        if times > 0 and abs(np.log(times / factor)) < near:
            return f"Likely {slip}: look at the headers, the arm and the marks."
    return ""


def _limit(ratio: Estimate) -> float:
    factor = float(coverage_factor(_DIFFERENT, ratio.degrees_of_freedom))
    return factor * ratio.standard_uncertainty


def _under_current(joint: Joint) -> IntArray:
    """Rows whose torque was read while current flowed."""
    rows, present = joint.problem.conditions.rows, joint.problem.conditions.present
    carrying = rows.metered | np.isfinite(rows.load)
    read = (rows.torque_from == READ_TORQUE) & (rows.rounding[:, TORQUE] > 0)
    return np.flatnonzero(present[:, 1] & read & carrying & rows.turning)


def _own_loss(joint: Joint, rows: IntArray) -> list[FloatArray]:
    """Directions of a loss of these rows alone; none where no other row tells of the loss."""
    conditions = joint.problem.conditions
    other = conditions.present[:, 1] & conditions.rows.turning
    other[rows] = False
    if not other.any():
        return []
    speed = np.abs(conditions.nominal.values[:, SPEED])
    shapes: list[FloatArray | float] = [1.0]
    if np.max(speed[rows]) > _SPAN * np.min(speed[rows]):
        shapes.append(speed[rows] / np.max(speed[rows]))
    return [_direction(joint, rows, shape) for shape in shapes]


def _direction(joint: Joint, rows: IntArray, torque: FloatArray | float) -> FloatArray:
    """Of what the torque equation of some rows lacks, (N,)."""
    present = joint.problem.conditions.present
    whole = np.zeros(present.shape)
    whole[rows, 1] = torque
    return np.asarray(whole[present])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Freed:
    """The fit with further parameters let free, by one step from where it was."""

    uncertainty: Uncertainty
    stack: Stacked
    scales: Scales
    projected: Projected
    level: float

    @classmethod
    def of(cls, uncertainty: Uncertainty, directions: list[FloatArray], level: float) -> _Freed:
        joint = uncertainty.joint
        stack = with_directions(joint.stack, directions)
        scales = estimate_scales(stack, joint.scales.log_variance)
        projected = project(stack, scales.log_variance)
        return cls(
            uncertainty=uncertainty, stack=stack, scales=scales, projected=projected, level=level
        )

    @property
    def step(self) -> FloatArray:
        """Of the fitted parameters and the further ones, (p,)."""
        return np.asarray(-self.projected.gain @ self.stack.residual)

    def estimate(self, value: float, weights: dict[int, float], unit: str) -> Estimate:
        """A combination of the parameters, with weights by place."""
        direction = np.zeros(len(self.step))
        direction[list(weights)] = list(weights.values())
        instruments = self._by_instruments(direction)
        widening = self.uncertainty.widening
        whole = float(direction @ self.projected.covariance @ direction)
        scatter = widening * max(0.0, whole - instruments)
        variance = scatter + instruments
        freedom = self._freedom(direction, variance)
        half_width = float(coverage_factor(self.level, freedom)) * variance**0.5
        return Estimate(
            value=value,
            unit=unit,
            standard_uncertainty=variance**0.5,
            from_scatter=scatter**0.5,
            from_instruments=instruments**0.5,
            interval=(value - half_width, value + half_width),
            level=self.level,
            degrees_of_freedom=freedom,
            method="linear",
        )

    def _by_instruments(self, direction: FloatArray) -> float:
        """Variance of a combination by what the instruments may be off."""
        joint = self.uncertainty.joint
        nuisances = joint.problem.assembled.nuisances
        chosen = [place for place, one in enumerate(nuisances) if one.error != "effect"]
        deviation = np.array([one.deviation for one in self.uncertainty.instruments])
        gain, design = self.projected.gain, nuisance_design(joint.problem, joint.solution)
        return float(np.sum((direction @ (gain @ design[:, chosen]) * deviation) ** 2))

    def _freedom(self, direction: FloatArray, variance: float) -> float:
        """Effective degrees of freedom of a combination of this variance."""
        slopes = variance_slopes(self.stack, self.projected, self.scales.log_variance)
        changes = np.einsum("p,cps,s->c", direction, slopes, direction)
        changes = self.uncertainty.widening * changes
        return float(
            effective_degrees_of_freedom(np.array([variance]), changes[:, None], self.scales)[0]
        )


def _apart(
    uncertainty: Uncertainty, rows: IntArray, own_loss: list[FloatArray], level: float
) -> TorqueConstant | None:
    """Both constants from one step with the torque's own constant and loss let free."""
    joint = uncertainty.joint
    current = joint.problem.conditions.nominal.values[rows, CURRENT]
    place, apart = joint.problem.free.index(K), len(joint.machine)
    # the equations hold -k i: that of one more of k, at the readings as the fit adjusts them
    by_k = joint.solution.linearised.design[rows, 1, place]
    by_k = np.where(by_k != 0, by_k, -current)
    freed = _Freed.of(uncertainty, [_direction(joint, rows, by_k), *own_loss], level)
    step = freed.step
    emf, difference = float(joint.machine[place] + step[place]), float(step[apart])
    if not emf > 0:
        return None
    ratio = freed.estimate(difference / emf, {place: -difference / emf**2, apart: 1 / emf}, "1")
    if not ratio.standard_uncertainty < KNOWN_TO * max(1.0, 1.0 + ratio.value):
        return None
    return TorqueConstant(
        estimate=freed.estimate(emf + difference, {place: 1.0, apart: 1.0}, "N.m/A"),
        ratio=ratio,
        agrees=abs(ratio.value) <= _limit(ratio),
    )
