"""A bench as a problem for the joint solver: which parameters are free, priors, start."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import lsq_linear

from motorfit.arrays import FloatArray
from motorfit.bench.records import Bench
from motorfit.estimation.assemble import Assembled, assemble, magnet_coefficient
from motorfit.estimation.conditions import BrushedConditions, Thermal
from motorfit.estimation.physics import (
    EMF_RATIO,
    LOSS_RATIO,
    MACHINE_PARAMETERS,
    T0,
    VB,
    VBS,
    A,
    B,
    C,
    K,
    R,
)
from motorfit.estimation.rows import CURRENT, SPEED, TORQUE, VOLTAGE
from motorfit.estimation.solver import Priors
from motorfit.estimation.terms import Term, magnet_coefficient_prior, with_magnet_doubt
from motorfit.machine.temperature import WINDING_CONSTANT


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Problem:
    """What the solver needs of a bench."""

    assembled: Assembled
    conditions: BrushedConditions
    free: tuple[int, ...]  # indices of `MACHINE_PARAMETERS`
    start: FloatArray  # (p + r,): free machine parameters, then nuisances
    size: FloatArray  # (p,): by how much a machine parameter may plausibly be off
    magnet_coefficient: float | None
    terms: tuple[Term, ...] = ()  # optional ones that are in
    doubted: tuple[int, ...] = ()  # free ones that are allowed for and not claimed
    held: FloatArray | None = None  # (n,) how much each row counts; None where all do fully

    @property
    def names(self) -> tuple[str, ...]:
        """The free machine parameters."""
        return tuple(MACHINE_PARAMETERS[index] for index in self.free)

    def priors(self, log_variance: FloatArray) -> Priors:
        """Bounds of the machine parameters; priors of the nuisances at these scales."""
        machine, nuisances = len(self.free), self.assembled.nuisances
        lower = np.full(len(self.start), -np.inf)
        upper = np.full(len(self.start), np.inf)
        lower[:machine] = [_LOWER[index] for index in self.free]
        mean, deviation = np.zeros(len(self.start)), np.full(len(self.start), np.inf)
        mean[machine:] = [nuisance.mean for nuisance in nuisances]
        deviation[machine:] = [
            nuisance.deviation
            if nuisance.component is None
            else nuisance.deviation * np.exp(0.5 * log_variance[nuisance.component])
            for nuisance in nuisances
        ]
        return Priors(mean=mean, deviation=deviation, lower=lower, upper=upper)


# brushes off neutral let the armature's field strengthen the magnets as well as weaken them:
# armature reaction may have either sign
_LOWER = dict.fromkeys(range(len(MACHINE_PARAMETERS)), 0.0) | {
    A: -np.inf,
    EMF_RATIO: -0.9,
    LOSS_RATIO: -0.9,
}


#: Share of the EMF that armature reaction may plausibly take at the largest current.
_PLAUSIBLE_REACTION = 0.1


def pose(bench: Bench, *, terms: tuple[Term, ...] = ()) -> Problem:
    """The joint-fit problem of a bench.

    Parameters
    ----------
    bench : Bench
        Readings, settings, instruments.
    terms : tuple of Term
        Optional terms that are in; the others are zero, or known.

    Returns
    -------
    Problem
    """
    assembled = assemble(bench)
    coefficient = magnet_coefficient(bench)
    reference = bench.settings.conditions.reference.value
    if "magnet-temperature" in terms:
        coefficient, doubt = magnet_coefficient_prior(coefficient)
        assembled = with_magnet_doubt(assembled, reference, doubt)
    free = _free_parameters(assembled, terms)
    conditions = BrushedConditions(
        assembled.rows,
        assembled.influence,
        free=free,
        thermal=Thermal(
            reference=reference,
            winding_constant=WINDING_CONSTANT[bench.settings.machine.winding_material],
            magnet_coefficient=coefficient or 0.0,
        ),
        brush_current_scale=assembled.brush_current_scale,
        patterns=assembled.patterns,
        friction=assembled.friction,
    )
    full = _start(conditions)
    nuisance = np.array([nuisance.mean for nuisance in assembled.nuisances])
    return Problem(
        assembled=assembled,
        conditions=conditions,
        free=free,
        start=np.concatenate([full[list(free)], nuisance]),
        size=_sizes(conditions, full)[list(free)],
        magnet_coefficient=coefficient,
        terms=terms,
    )


def _free_parameters(assembled: Assembled, terms: tuple[Term, ...]) -> tuple[int, ...]:
    rows = assembled.rows
    carrying = rows.metered | np.isfinite(rows.load)
    running, torque = ~rows.standing, rows.present[:, 1]
    wanted = {
        K: running.any(),
        R: carrying.any(),
        VB: (carrying & running).any(),
        T0: torque.any(),
        B: torque.any(),
        C: "windage" in terms and torque.any(),
        A: "armature-reaction" in terms and (carrying & running).any(),
        VBS: rows.standing.any(),
        EMF_RATIO: (rows.reverse & running).any(),
        LOSS_RATIO: (rows.reverse & torque).any() and (~rows.reverse & torque).any(),
    }
    return tuple(index for index in sorted(wanted) if wanted[index])


def _start(conditions: BrushedConditions) -> FloatArray:
    """Least squares of each equation by itself, no errors in the regressors."""
    full = np.zeros(len(MACHINE_PARAMETERS))
    nuisance = np.zeros(len(conditions.influence.leads))
    # at one supply voltage a brush drop could take all of it, and leave no EMF
    drop = _usual_drop(conditions) * 2.0
    limit = {VB: drop, VBS: drop}
    for equation, wanted in ((0, (K, R, VB, VBS)), (1, (T0, B))):
        at = conditions.linearise(np.concatenate([full[conditions.free], nuisance]))
        columns = [place for place, index in enumerate(conditions.free) if index in wanted]
        rows = conditions.present[:, equation]
        if not columns or not rows.any():
            continue
        design = -at.design[rows, equation][:, columns]
        size = np.maximum(np.linalg.norm(design, axis=0), np.finfo(float).tiny)
        most = [limit.get(conditions.free[place], np.inf) for place in columns] * size
        found = lsq_linear(design / size, at.residual[rows, equation], bounds=(0.0, most))
        full[[conditions.free[place] for place in columns]] = found.x / size
    return full


def _usual_drop(conditions: BrushedConditions) -> float:
    """A brush drop of carbon, or a tenth of a low-voltage machine's largest voltage. [V]"""
    voltage = float(np.max(np.abs(conditions.nominal.values[:, VOLTAGE]), initial=0.0)) or 1.0
    return min(1.0, 0.1 * voltage)


def _sizes(conditions: BrushedConditions, full: FloatArray) -> FloatArray:
    """Plausible size of each parameter: what 'not determined at all' would mean."""
    rows, values = conditions.rows, np.abs(conditions.nominal.values)
    voltage = float(np.max(values[:, VOLTAGE], initial=0.0)) or 1.0
    current = float(np.max(values[:, CURRENT], initial=0.0)) or 1.0
    speed = float(np.max(values[:, SPEED], initial=0.0)) or 1.0
    drop = _usual_drop(conditions)
    braked = rows.present[:, 1]
    loss = np.abs(full[K] * values[braked, CURRENT] - values[braked, TORQUE])
    torque = float(np.median(loss)) if len(loss) else 1.0
    sizes = np.ones(len(MACHINE_PARAMETERS))
    sizes[K] = max(full[K], 0.3 * voltage / speed)
    sizes[R] = max(full[R], 0.2 * voltage / current)
    sizes[VB], sizes[VBS] = max(full[VB], drop), max(full[VBS], drop)
    sizes[T0] = max(torque, np.finfo(float).tiny)
    sizes[B], sizes[C] = sizes[T0] / speed, sizes[T0] / speed**2
    sizes[A] = _PLAUSIBLE_REACTION / current
    sizes[EMF_RATIO], sizes[LOSS_RATIO] = 0.1, 0.5
    return sizes
