"""The public fit: a bench in, a machine with honest intervals out."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from numbers import Real

import numpy as np

from motorfit.bench.kinds import Kind
from motorfit.bench.records import Bench
from motorfit.errors import FitError
from motorfit.estimate import Estimate
from motorfit.estimation.advice import advise
from motorfit.estimation.answers import answers
from motorfit.estimation.assemble import USED_KINDS
from motorfit.estimation.breakaway import breakaway_findings, breakaway_of
from motorfit.estimation.breakaway_profile import fit_of_breakaway, with_breakaway
from motorfit.estimation.coast_findings import coast_findings
from motorfit.estimation.coast_logs import ReducedBench, reduce_logs
from motorfit.estimation.coast_result import coast_downs
from motorfit.estimation.findings import fit_findings
from motorfit.estimation.heat import fit_heating, with_cold_resistance
from motorfit.estimation.heat_profile import thermal_widths, with_heating
from motorfit.estimation.intervals import Method
from motorfit.estimation.joint import Joint, fit_jointly, settled_or_told
from motorfit.estimation.physics import T0, B, C, J
from motorfit.estimation.profiling import make_profile
from motorfit.estimation.remarks import remarks_on
from motorfit.estimation.residuals import residual_rows, widening
from motorfit.estimation.result import Fit, LossPoint, Scatter, WidthShare
from motorfit.estimation.robust import as_read, fit_robustly
from motorfit.estimation.rows import READ, SPEED
from motorfit.estimation.selection import Chosen, fit_with_terms
from motorfit.estimation.standing import KNOWN_TO
from motorfit.estimation.terms import check_terms
from motorfit.estimation.torque_constant import torque_constant
from motorfit.estimation.uncertainty import Uncertainty, split_uncertainty
from motorfit.estimation.ways import (
    DEFAULT,
    DRAWS,
    SEED,
    Wanted,
    by_way,
    check_method,
    drawn_parameters,
)
from motorfit.estimation.widths import width_shares
from motorfit.profile.model import PARAMETER_UNITS
from motorfit.unit_tables import RPM

__all__ = ["Fit", "fit"]

#: So many findings before the fit are told where it fails.
_MOST_TOLD = 3

#: Turning loss is shown at a speed rounded to this. [rad/s]
_ROUND_SPEED = 100 * RPM


def fit(
    bench: Bench,
    *,
    level: float = 0.95,
    interval: Method = DEFAULT,
    draws: int = DRAWS,
    seed: int = SEED,
    terms: Iterable[str] | None = None,
    robust: bool = False,
) -> Fit:
    """Fit a machine to the readings of a bench.

    Parameters
    ----------
    bench : Bench
        From `motorfit.read_bench` or `motorfit.simulate`.
    level : float
        Coverage of the intervals, between 0.5 and 0.999.
    interval : {"linear", "profile", "bootstrap", "monte-carlo"}
        How the intervals are made: Student's quantile times the standard uncertainty;
        from the profile of the sum of squares; from readings resampled; or from
        readings and instruments drawn within their uncertainty (JCGM 101).
    draws : int, at least 100
        How many, for "bootstrap" and "monte-carlo".
    seed : int
        Where their chance starts; the same seed gives the same intervals.
    terms : iterable of str, optional
        Which optional terms are fitted: "armature-reaction", "windage",
        "magnet-temperature" (the doubt of the magnets' temperature coefficient); none for
        (). Left out, those that the readings demand and can carry.
    robust : bool
        Whether readings that stand out count less, by Huber's weights. Those held back are
        named; none is dropped.

    Returns
    -------
    Fit
        Parameters, covariance, findings, residuals; ``.profile`` is ready to save.

    Raises
    ------
    FitError
        If no test in the bench has equations in this release, or it does not settle.
    ValueError
        If ``level``, ``draws`` or ``seed`` is out of range, or there is no such
        ``interval`` or no such term.
    TypeError
        If ``bench`` is none.

    Examples
    --------
    >>> import motorfit as mf
    >>> from motorfit.machine.brushed import BrushedMachine
    >>> lamp = BrushedMachine(emf_constant=0.08, armature_resistance=0.8, brush_drop=0.8,
    ...                       coulomb_torque=0.03, viscous_coefficient=5e-5)
    >>> found = mf.fit(mf.simulate(lamp, seed=1))
    >>> low, high = found.parameters["armature_resistance"].interval
    >>> low < 0.8 < high
    True
    """
    if not isinstance(bench, Bench):
        raise TypeError(f"fit takes a bench, as read_bench gives it, found {bench!r}")
    if not isinstance(level, Real) or not 0.5 <= level <= 0.999:
        raise ValueError(f"level must be from 0.5 to 0.999, found {level!r}")
    check_method(interval, draws, seed)
    wanted_terms = check_terms(terms)
    told = with_cold_resistance(bench)
    if not any(len(run) for run in told.of_kind(*USED_KINDS)):
        with _with_what_was_found(bench):
            return _of_breakaway(bench, level, otherwise=_nothing_used(bench))
    with _with_what_was_found(bench), settled_or_told():
        reduced = reduce_logs(told)
        if not any(len(run) for run in reduced.bench.of_kind(*USED_KINDS)):
            return _of_breakaway(bench, level, otherwise=_nothing_told(bench, reduced))
        fitter = fit_robustly if robust else fit_jointly
        chosen = fit_with_terms(reduced.bench, wanted_terms, fitter)
        return _fit(
            bench, reduced, chosen, Wanted(level=level, method=interval, draws=draws, seed=seed)
        )


def _fit(whole: Bench, reduced: ReducedBench, chosen: Chosen, wanted: Wanted) -> Fit:
    bench, joint, level = reduced.bench, chosen.joint, wanted.level
    uncertainty = by_way(split_uncertainty(joint, widening(joint)), wanted)
    residuals = residual_rows(joint)
    widths = _widths(uncertainty)
    # what does not belong is judged with every reading counted fully
    judged = replace(uncertainty, joint=as_read(joint))
    remarks = remarks_on(chosen.considered, residuals, joint)
    constant = torque_constant(judged, level)
    heat = fit_heating(bench, uncertainty, level)
    breakaway = breakaway_of(bench, level)
    coasted = coast_downs(reduced.logs, joint)
    further = (
        *coast_findings(bench, coasted, joint),
        *heat.findings,
        *breakaway_findings(breakaway, uncertainty, level),
    )
    findings = fit_findings(bench, judged, widths, (*remarks, *further), constant)
    profile = make_profile(bench, uncertainty, findings, level)
    profile = with_breakaway(with_heating(profile, heat.heating, uncertainty), breakaway)
    widths |= thermal_widths(heat.heating)
    if breakaway is not None:
        widths["breakaway_torque"] = breakaway.widths
    unused = {each.file: each.problem for each in coasted if each.problem}
    return Fit(
        bench=whole,
        profile=profile,
        level=level,
        findings=findings,
        residuals=residuals,
        widths=widths,
        advice=advise(bench, joint),
        answers=answers(bench, profile),
        scatter=_scatter(joint),
        loss=_loss_point(uncertainty, level),
        counts=_counts(whole, set(unused)),
        unused=tuple(f"{file}: {problem}" for file, problem in unused.items()),
        chi_square=_chi_square(joint),
        degrees_of_freedom=float(len(joint.stack.residual) - len(joint.machine)),
        draws=drawn_parameters(uncertainty),
        terms=chosen.considered,
        robust=joint.problem.held is not None,
        torque_constant=constant,
        breakaway=breakaway,
        heating=heat.heating,
        coast_downs=coasted,
    )


def _widths(uncertainty: Uncertainty) -> dict[str, tuple[WidthShare, ...]]:
    """Causes of the variance of each parameter that has a value."""
    joint = uncertainty.joint
    return {
        name: width_shares(uncertainty, np.eye(len(joint.machine))[place])
        for place, name in enumerate(joint.problem.names)
        if name in PARAMETER_UNITS and joint.standing.known[place]
    }


def _chi_square(joint: Joint) -> float:
    """Of the whitened residuals."""
    residual = joint.stack.residual
    return float(residual @ joint.projected.projection @ residual)


def _of_breakaway(bench: Bench, level: float, *, otherwise: str) -> Fit:
    """What starting torques tell by themselves, or why there is nothing to fit."""
    breakaway = breakaway_of(bench, level)
    if breakaway is None:
        raise FitError(otherwise)
    return fit_of_breakaway(bench, breakaway, level)


def _nothing_used(bench: Bench) -> str:
    kinds = sorted(
        {f"{run.kind} of the drive alone" if run.uncoupled else run.kind for run in bench.runs}
    )
    found = f"only {', '.join(kinds)}" if kinds else "no readings"
    return (
        f"{bench.source.name}: {found}, which this release cannot fit by itself. "
        f"Add one of {', '.join(USED_KINDS)}."
    )


@contextmanager
def _with_what_was_found(bench: Bench) -> Iterator[None]:
    """A bench that no machine fits: what was odd before the fit is likely why."""
    try:
        yield
    except FitError as error:
        grave = [each for each in bench.findings if each.severity == "error"][:_MOST_TOLD]
        lines = [f"- {each.where}: {each.says} {each.suggestion}".rstrip() for each in grave]
        if not lines:
            raise
        raise FitError("\n".join([f"{error}", "Found before the fit:", *lines])) from error


def _nothing_told(bench: Bench, reduced: ReducedBench) -> str:
    """Why none of the logs, which are all there is, could be used."""
    reasons = "; ".join(f"{log.run.source.name}: {log.problem}" for log in reduced.logs)
    return (
        f"{bench.source.name}: nothing could be had from the coast-downs ({reasons}). Log from "
        "the moment the drive lets go until the shaft stands, several readings a second; one "
        "open-circuit reading, speed with voltage, makes a speed of every voltage."
    )


def _counts(bench: Bench, unused: set[str]) -> dict[str, int]:
    """Used readings a file; one table may hold two kinds of test."""
    counts: dict[str, int] = {}
    others: tuple[Kind, ...] = ("breakaway", "heat-run", "zero")
    for run in (*bench.of_kind(*USED_KINDS, *others), *bench.of_drive_alone):
        if run.source.name in unused:
            continue
        counts[run.source.name] = counts.get(run.source.name, 0) + len(run)
    return counts


def _scatter(joint: Joint) -> tuple[Scatter, ...]:
    """Each variance component's size at a typical reading, in its own unit or relative."""
    assembled = joint.problem.assembled
    found = []
    for index, name in enumerate(assembled.components):
        factor = float(np.exp(0.5 * joint.scales.log_variance[index]))
        relative = name not in READ
        if relative:
            usual = assembled.friction[index] or assembled.usual_share(index)
        else:
            sizes = assembled.patterns[index, :, READ.index(name)]
            usual = float(np.median(sizes[sizes > 0]))
        found.append(
            Scatter(
                name=name,
                standard_deviation=factor * float(usual),
                relative=relative,
                degrees_of_freedom=2.0 / float(joint.scales.covariance[index, index]),
            )
        )
    return tuple(found)


def _loss_point(uncertainty: Uncertainty, level: float) -> LossPoint | None:
    """Turning loss at a typical speed: a round one where it is known at every speed."""
    joint = uncertainty.joint
    problem = joint.problem
    if T0 not in problem.free:
        return None
    torque_rows = problem.conditions.present[:, 1]
    values = problem.conditions.nominal.values
    speed = float(np.mean(values[torque_rows, SPEED]))
    places = [problem.free.index(index) for index in (T0, B)]
    parts = [*places, problem.free.index(C)] if C in problem.free else places
    if all(joint.standing.known[place] for place in parts):
        speed = max(_ROUND_SPEED, round(speed / _ROUND_SPEED) * _ROUND_SPEED)
    elif any(joint.standing.alone[place] for place in places) or _in_ratios_only(joint):
        return None
    weights = np.zeros(len(problem.free))
    weights[places] = 1.0, speed
    if C in problem.free:
        weights[problem.free.index(C)] = speed**2
    torque = uncertainty.estimate(
        weights, value=float(weights @ joint.machine), unit="N.m", level=level, lower=0.0
    )
    if not torque.standard_uncertainty <= KNOWN_TO * abs(torque.value):
        return None
    return LossPoint(speed=speed, torque=torque, power=_times(torque, speed, "W"))


def _in_ratios_only(joint: Joint) -> bool:
    """Whether the inertia is known no better than the loss that slows it."""
    if J not in joint.problem.free:
        return False
    place = joint.problem.free.index(J)
    return not (joint.standing.known[place] or joint.standing.alone[place])


def _times(estimate: Estimate, factor: float, unit: str) -> Estimate:
    return Estimate(
        value=estimate.value * factor,
        unit=unit,
        standard_uncertainty=estimate.standard_uncertainty * factor,
        from_scatter=estimate.from_scatter * factor,
        from_instruments=estimate.from_instruments * factor,
        interval=(estimate.interval[0] * factor, estimate.interval[1] * factor),
        level=estimate.level,
        degrees_of_freedom=estimate.degrees_of_freedom,
        method=estimate.method,
        standing=estimate.standing,
    )
