"""What the fit noticed: readings that do not belong, bounds, directions, correlation."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from motorfit.bench.records import Bench, Run
from motorfit.estimate import coverage_factor
from motorfit.estimation.explanation import explain, machine_allowing
from motorfit.estimation.fault_words import fault_findings, told_once
from motorfit.estimation.hanging import hanging_together
from motorfit.estimation.joint import Joint
from motorfit.estimation.physics import EMF_RATIO, LOSS_RATIO
from motorfit.estimation.result import TorqueConstant, WidthShare
from motorfit.estimation.rows import READ
from motorfit.estimation.search import Explained
from motorfit.estimation.tangles import WORDS, not_told_apart
from motorfit.estimation.torque_constant import torque_constant_findings, with_factor
from motorfit.estimation.uncertainty import BEYOND, Uncertainty, beyond_bounds
from motorfit.finding import Finding, worst_first

_CAUSES = {
    "armature_resistance": "a rectifier in the way, volts and amps exchanged, or a wrong resistor",
    "brush_drop": "a speed that was read too low under load, or a supply in current limit",
    "standing_brush_drop": "an ammeter that reads too low, or a winding that warmed up",
    "coulomb_torque": "no-load readings taken before the motor had settled, or an ammeter offset",
    "viscous_coefficient": "brushes that ride better when fast, or an ammeter offset",
}

#: Scatter is called large from this many times its usual size on ...
_LOOSE = 6.0

#: ... where the residuals know it this well.
_LOOSE_FREEDOM = 4.0

#: Directions are called different beyond this level of a two-sided test: of two, one in 300.
_DIFFERENT = 0.9985


def fit_findings(
    bench: Bench,
    uncertainty: Uncertainty,
    widths: dict[str, tuple[WidthShare, ...]],
    remarks: Iterable[Finding] = (),
    constant: TorqueConstant | None = None,
) -> tuple[Finding, ...]:
    """All findings of a bench, those before the fit included, most damaging first.

    Parameters
    ----------
    bench : Bench
        The readings, with what was found before the fit.
    uncertainty : Uncertainty
        Of the solved bench.
    widths : dict
        Causes of each variance.
    remarks : iterable of Finding
        What the fit did of its own accord, from `motorfit.estimation.remarks`.
    constant : TorqueConstant, optional
        Where torque was read under current.

    Returns
    -------
    tuple of Finding
        That nothing is odd among them where none is grave.
    """
    joint = uncertainty.joint
    explained = explain(bench, joint)
    faults = with_factor(fault_findings(bench, joint, explained), constant)
    told = {each.kind for each in (*bench.findings, *faults)}
    found = [
        *told_once(bench.findings, faults),
        *_beyond(uncertainty, explained),
        *_directions(uncertainty),
        *hanging_together(uncertainty, explained),
        *_scattered(explained),
        *_ammeter_offset(widths),
        *torque_constant_findings(constant, told),
        *not_told_apart(uncertainty),
        *remarks,
    ]
    if not any(finding.grave for finding in found):
        found.append(_nothing_odd(bench, joint))
    return worst_first(found)


def _scattered(explained: Explained) -> list[Finding]:
    """Readings that scatter far more than a steady bench's do, what was found allowed for."""
    found = []
    freedom = 2.0 / np.diag(explained.scales.covariance)
    for index, name in enumerate(explained.joint.problem.assembled.components):
        factor = float(np.exp(0.5 * explained.scales.log_variance[index]))
        if name not in READ or factor < _LOOSE or freedom[index] < _LOOSE_FREEDOM:
            continue
        found.append(
            Finding(
                kind="large-scatter",
                where="bench",
                says=(
                    f"The {name} readings scatter {factor:.0f} times more than usual "
                    "from row to row; the intervals are wider for it."
                ),
                suggestion=(
                    "A lead or a brush may be loose, or the drive unsteady: see to that, then "
                    "take the readings again."
                ),
                severity="caution",
                damage=factor,
            )
        )
    return found


def _beyond(uncertainty: Uncertainty, explained: Explained) -> list[Finding]:
    joint = uncertainty.joint
    short = beyond_bounds(joint)
    if explained.verdicts:  # what was found may be all that draws the fit there
        machine, covariance = machine_allowing(explained)
        short = np.where(machine < -BEYOND * np.sqrt(np.diag(covariance)), short, 0.0)
    found = []
    for place in np.flatnonzero(short):
        name = joint.problem.names[place]
        deviation = joint.covariance[place, place] ** 0.5
        found.append(
            Finding(
                kind="beyond-bound",
                where="bench",
                says=(
                    f"The readings ask for a negative {WORDS.get(name, name)} "
                    f"({joint.unbounded[place]:.2g} +- {deviation:.1g} in SI units): the "
                    "machine is not quite what the fit takes it for. Intervals are widened."
                ),
                suggestion=f"Usual causes: {_CAUSES.get(name, 'a meter that reads wrong')}.",
                severity="error",
                damage=float(short[place] / deviation),
            )
        )
    return found


def _directions(uncertainty: Uncertainty) -> list[Finding]:
    joint, problem = uncertainty.joint, uncertainty.joint.problem
    found = []
    for ratio, words in ((EMF_RATIO, "EMF constant"), (LOSS_RATIO, "turning loss")):
        if ratio not in problem.free:
            continue
        place = problem.free.index(ratio)
        if not joint.standing.measured[place]:
            continue
        weights = np.eye(len(problem.free))[place]
        value = float(joint.machine[place])
        deviation = float(uncertainty.total[place, place]) ** 0.5
        limit = float(coverage_factor(_DIFFERENT, uncertainty.degrees_of_freedom(weights)))
        differs = abs(value) > limit * deviation
        found.append(
            Finding(
                kind="directions-differ" if differs else "directions-agree",
                where="bench",
                says=(
                    f"{words[0].upper()}{words[1:]} in direction b is {abs(100 * value):.1f} % "
                    f"{'larger' if value > 0 else 'smaller'} than in "
                    f"direction a (+- {100 * deviation:.2g} %)."
                    if differs
                    else f"Both directions have the same {words}, within "
                    f"{100 * limit * deviation:.2g} %."
                ),
                suggestion="Brushes off neutral; use the direction it will run in."
                if differs
                else "",
                severity="caution" if differs else "good",
                damage=abs(value) / deviation if deviation > 0 else 0.0,
            )
        )
    return found


def _ammeter_offset(widths: dict[str, tuple[WidthShare, ...]]) -> list[Finding]:
    shares = [
        share.share
        for share in widths.get("coulomb_torque", ())
        if share.quantity == "current" and share.cause.startswith("offset")
    ]
    if sum(shares) < 0.5:
        return []
    return [
        Finding(
            kind="ammeter-offset",
            where="no-load-motor.csv",
            says=(
                f"What the ammeter shows at zero decides {100 * sum(shares):.0f} % of the "
                "uncertainty of the turning loss."
            ),
            suggestion="Write down what it shows with nothing connected, as zero.csv.",
            severity="note",
            damage=sum(shares),
        )
    ]


def _nothing_odd(bench: Bench, joint: Joint) -> Finding:
    logs = [run for run in bench.runs if len(run) and _is_log(run)]
    count = sum(
        len(run) for run in bench.runs if run.test.used and run.rates is None and not _is_log(run)
    )
    equations, parameters = joint.stack.design.shape
    hardly = "" if equations > parameters + 1 else ", but so few could not show a slip"
    return Finding(
        kind="nothing-odd",
        where="bench",
        says=f"Nothing odd in {' and '.join(_counted(count, len(logs)))}{hardly}.",
        severity="good",
    )


def _is_log(run: Run) -> bool:
    """Whether its readings follow one another; of a stated inertia there is no log."""
    if run.rates is not None:
        return run.rates.quantity != "inertia"
    return run.test.follows_time


def _counted(readings: int, logs: int) -> list[str]:
    """Readings of sheets and logs, those of the two that there are."""
    parts = ((readings, "reading"), (logs, "log"))
    return [f"{number} {what}{'' if number == 1 else 's'}" for number, what in parts if number] or [
        "0 readings"
    ]
