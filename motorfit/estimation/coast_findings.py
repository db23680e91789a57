"""What the coast-downs of a bench tell about themselves."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from motorfit.bench.records import Bench
from motorfit.estimation.coast_fit import BELOW_SMALLEST
from motorfit.estimation.coast_result import CoastDown
from motorfit.estimation.coast_trim import FEWEST
from motorfit.estimation.effects import (
    COAST_FRICTION,
    RUN_FRICTION,
    USUAL_COAST_FRICTION,
    USUAL_RUN_FRICTION,
)
from motorfit.estimation.joint import Joint
from motorfit.estimation.physics import J, K, R
from motorfit.estimation.retardation import SURE
from motorfit.finding import Finding

#: Friction that differs by more than this from run to run is worth hearing of.
_WORTH_TELLING = 3.0 * USUAL_COAST_FRICTION

#: Coast-downs and other runs, made at another time, whose losses are further apart are.
_APART = 5.0 * USUAL_RUN_FRICTION

#: Mechanical time constants J R/k^2 of machines without a flywheel, generously: common
#: practice, no source. [s]
_QUICKEST, _SLOWEST = 3e-4, 30.0


def coast_findings(bench: Bench, coasted: Sequence[CoastDown], joint: Joint) -> tuple[Finding, ...]:
    """Findings about the coast-downs of a fitted bench.

    Parameters
    ----------
    bench : Bench
        With what was found before the fit, which is not said again.
    coasted : sequence of CoastDown
        The logs.
    joint : Joint
        The fit.

    Returns
    -------
    tuple of Finding
    """
    told = {each.where.partition(":")[0] for each in bench.findings if each.grave}
    return (
        *_not_used(coasted, told),
        *_bends_back(coasted),
        *_other_shape(coasted),
        *_friction_differs(joint),
        *_differs_from_other_runs(bench, joint),
        *_odd_inertia(bench, joint),
    )


def _not_used(coasted: Sequence[CoastDown], told: set[str]) -> Iterator[Finding]:
    for each in coasted:
        if each.problem and each.file not in told:
            yield Finding(
                kind="coast-down-not-used",
                where=each.file,
                says=f"Nothing could be had from this coast-down: {each.problem}.",
                suggestion=_what_to_log(each),
            )


def _what_to_log(coasted: CoastDown) -> str:
    """What would make something of a log that says nothing."""
    log = coasted.retardation
    left = {} if log is None else {each.reason: each.count for each in log.left_out}
    if left.get(BELOW_SMALLEST, 0) >= FEWEST:
        return (
            f"{left[BELOW_SMALLEST]} readings are at a current too small for the brushes' drop "
            "to be full: use a smaller resistor, a faster start, or a logger that reads more often."
        )
    return (
        "Log from the moment the drive lets go until the shaft stands, with ten readings or more "
        "on the way; a disc on the shaft makes it last."
    )


def _bends_back(coasted: Sequence[CoastDown]) -> Iterator[Finding]:
    """A loss that grows ever less with speed, which no three terms above zero can."""
    for each in coasted:
        log = each.retardation
        if log is None or each.loaded or not log.bends_back:
            continue
        score = log.curvature / log.curvature_uncertainty
        yield Finding(
            kind="loss-bends-back",
            where=each.file,
            says=(
                "The loss rises ever less with speed, which dry friction, viscous loss and "
                f"windage together cannot do ({-score:.1f} standard deviations)."
            ),
            suggestion=(
                "Usual causes: the drive still touched at first, a meter that lags, grease that "
                "warmed up. Let it run for some minutes and log it again."
            ),
            damage=float(-score),
        )


def _other_shape(coasted: Sequence[CoastDown]) -> Iterator[Finding]:
    for each in coasted:
        log = each.retardation
        if log is None or not log.misfit > SURE:
            continue
        yield Finding(
            kind="coast-down-odd",
            where=each.file,
            says=(
                "The machine does not slow as friction, viscous loss and windage make it: its "
                f"curve leaves theirs by {log.misfit:.1f} standard deviations."
            ),
            suggestion="Look at the spin-down figure: something touched the shaft or slipped.",
            damage=float(log.misfit),
        )


def _friction_differs(joint: Joint) -> Iterator[Finding]:
    assembled = joint.problem.assembled
    if COAST_FRICTION not in assembled.components:
        return
    place = assembled.components.index(COAST_FRICTION)
    size = USUAL_COAST_FRICTION * float(np.exp(0.5 * joint.scales.log_variance[place]))
    if size < _WORTH_TELLING:
        return
    yield Finding(
        kind="friction-differs",
        where="bench",
        says=(
            f"Friction differs by about {100 * size:.0f} % from one coast-down to the next; the "
            "turning loss is that of the average run, and its interval is wider for it."
        ),
        suggestion="Let the bearings warm up; two or three runs of each kind tell the average.",
        severity="note",
        damage=size,
    )


def _differs_from_other_runs(bench: Bench, joint: Joint) -> Iterator[Finding]:
    """The loss that coast-downs and other runs tell, further apart than friction usually is."""
    problem = joint.problem
    loss, rows = problem.conditions.influence.loss, problem.assembled.rows
    told: dict[bool, list[float]] = {True: [], False: []}
    effects = joint.solution.theta[len(problem.free) :]
    for place, nuisance in enumerate(problem.assembled.nuisances):
        if nuisance.quantity == RUN_FRICTION:
            coasting = bool(rows.coasting[loss[:, place] != 0.0].any())
            told[coasting].append(float(effects[place]))
    if not (told[True] and told[False]):
        return
    apart = float(np.mean(told[True]) - np.mean(told[False]))
    if abs(apart) < _APART:
        return
    stated = bench.settings.machine.moment_of_inertia is not None
    yield Finding(
        kind="friction-differs",
        where="bench",
        says=(
            f"The turning loss of the coast-downs is {100 * abs(apart):.0f} % "
            f"{'more' if apart > 0 else 'less'} than that of the other runs; the result lies "
            "between, and its interval is wider for it."
        ),
        suggestion=(
            "Let the bearings warm up and make them one after the other. If it stays, look at "
            + ("moment_of_inertia in machine.toml and at " if stated else "")
            + "the resistor, the ammeter and what was on the shaft."
        ),
        severity="note",
        damage=abs(apart),
    )


def _odd_inertia(bench: Bench, joint: Joint) -> Iterator[Finding]:
    problem = joint.problem
    full = problem.conditions.full(joint.solution.theta)
    if J not in problem.free or not joint.standing.known[problem.free.index(J)]:
        return
    if not (full[K] > 0 and full[R] > 0) or any(run.added_inertia for run in bench.runs):
        return
    lasts = full[J] * full[R] / full[K] ** 2
    if _QUICKEST < lasts < _SLOWEST:
        return
    slow = lasts > _SLOWEST
    yield Finding(
        kind="inertia-odd",
        where="bench",
        says=(
            f"The moment of inertia comes out as {full[J]:.2g} kg m2: the machine would take "
            f"{lasts:.2g} s to follow its supply (J R/k^2), far {'more' if slow else 'less'} than "
            "rotors of this kind do."
        ),
        suggestion=(
            f"Is the time column in {'milliseconds' if slow else 'minutes'}, labelled as seconds? "
            "With a flywheel on the shaft this is right."
        ),
        damage=abs(float(np.log10(lasts))),
    )
