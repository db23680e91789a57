"""A bench as a problem for the joint solver: which parameters are free, priors, start."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

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
    J,
    K,
    R,
)
from motorfit.estimation.solver import Priors
from motorfit.estimation.start import first_guess, plausible_sizes
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
    full = first_guess(conditions)
    nuisance = np.array([nuisance.mean for nuisance in assembled.nuisances])
    return Problem(
        assembled=assembled,
        conditions=conditions,
        free=free,
        start=np.concatenate([full[list(free)], nuisance]),
        size=plausible_sizes(conditions, full)[list(free)],
        magnet_coefficient=coefficient,
        terms=terms,
    )


def _free_parameters(assembled: Assembled, terms: tuple[Term, ...]) -> tuple[int, ...]:
    rows = assembled.rows
    carrying = rows.metered | np.isfinite(rows.load)
    running = rows.turning
    torque = rows.present[:, 1] & running
    wanted = {
        K: (running & (rows.present[:, 0] | carrying)).any(),
        R: carrying.any(),
        VB: (carrying & running).any(),
        T0: torque.any(),
        B: torque.any(),
        C: "windage" in terms and torque.any(),
        A: "armature-reaction" in terms and (carrying & running).any(),
        VBS: rows.standing.any(),
        EMF_RATIO: (rows.reverse & running).any(),
        LOSS_RATIO: (rows.reverse & torque).any() and (~rows.reverse & torque).any(),
        J: rows.coasting.any(),
    }
    return tuple(index for index in sorted(wanted) if wanted[index])
