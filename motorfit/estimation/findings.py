"""What the fit noticed: readings that do not belong, bounds, directions, correlation."""

from __future__ import annotations

import numpy as np

from motorfit.bench.records import Bench
from motorfit.estimate import coverage_factor
from motorfit.estimation.physics import EMF_RATIO, LOSS_RATIO
from motorfit.estimation.residuals import neighbour_correlation, outliers
from motorfit.estimation.result import ResidualRow, WidthShare
from motorfit.estimation.uncertainty import Uncertainty, beyond_bounds
from motorfit.finding import Finding, Severity

WORDS = {
    "emf_constant": "EMF constant",
    "armature_resistance": "winding resistance",
    "brush_drop": "brush drop",
    "coulomb_torque": "dry friction",
    "viscous_coefficient": "viscous loss",
    "standing_brush_drop": "brush drop of the held rotor",
}

_CAUSES = {
    "armature_resistance": "a rectifier in the way, volts and amps exchanged, or a wrong resistor",
    "brush_drop": "a speed that was read too low under load, or a supply in current limit",
    "standing_brush_drop": "an ammeter that reads too low, or a winding that warmed up",
    "coulomb_torque": "no-load readings taken before the motor had settled, or an ammeter offset",
    "viscous_coefficient": "brushes that ride better when fast, or an ammeter offset",
}

_ORDER: tuple[Severity, ...] = ("error", "caution", "note", "good")

#: Directions are called different beyond this level of a two-sided test.
_DIFFERENT = 0.99


def fit_findings(
    bench: Bench,
    uncertainty: Uncertainty,
    residuals: tuple[ResidualRow, ...],
    widths: dict[str, tuple[WidthShare, ...]],
) -> tuple[Finding, ...]:
    """All findings of a bench, those before the fit included, most damaging first.

    Parameters
    ----------
    bench : Bench
        The readings, with what was found before the fit.
    uncertainty : Uncertainty
        Of the solved bench.
    residuals : tuple of ResidualRow
        In the order of the stack.
    widths : dict
        Causes of each variance.

    Returns
    -------
    tuple of Finding
    """
    found = [
        *bench.findings,
        *_outliers(uncertainty, residuals),
        *_beyond(uncertainty),
        *_directions(uncertainty),
        *_correlated(uncertainty),
        *_ammeter_offset(widths),
    ]
    if not any(finding.severity in ("error", "caution") for finding in found):
        found.append(_nothing_odd(bench))
    return tuple(sorted(found, key=lambda item: (_ORDER.index(item.severity), -item.damage)))


def _outliers(uncertainty: Uncertainty, residuals: tuple[ResidualRow, ...]) -> list[Finding]:
    found = []
    for outlier in outliers(uncertainty.joint):
        reading = residuals[outlier.stacked]
        unit = "V" if reading.equation == "voltage" else "N m"
        found.append(
            Finding(
                kind="outlier",
                where=f"{reading.file}:{reading.row}",
                says=(
                    f"{reading.file}, row {reading.row} does not fit the others: "
                    f"{reading.measured:.4g} {unit} where {reading.fitted:.4g} {unit} was "
                    f"expected ({abs(outlier.standardised):.1f} times its own uncertainty)."
                ),
                suggestion=(
                    "Look at your notes; if it was a slip, mend it or write the reason in "
                    "the column exclude, and take the reading again."
                ),
                severity="error",
                damage=abs(outlier.standardised),
            )
        )
    return found


def _beyond(uncertainty: Uncertainty) -> list[Finding]:
    joint = uncertainty.joint
    short = beyond_bounds(joint)
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


def _correlated(uncertainty: Uncertainty) -> list[Finding]:
    if uncertainty.widening <= 1.0:
        return []
    correlation, significance = neighbour_correlation(uncertainty.joint)
    return [
        Finding(
            kind="residuals-hang-together",
            where="bench",
            says=(
                f"Neighbouring readings are off in the same way (correlation "
                f"{correlation:.2f}): something drifted. The scatter's part of every "
                f"interval is {uncertainty.widening**0.5:.1f} times wider for it."
            ),
            suggestion=(
                "Let the drive and the winding settle, take the readings in mixed order, and "
                "name readings of one setting in the column setting."
            ),
            severity="caution",
            damage=significance,
        )
    ]


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


def _nothing_odd(bench: Bench) -> Finding:
    count = sum(len(run) for run in bench.runs if run.test.used)
    return Finding(
        kind="nothing-odd",
        where="bench",
        says=f"Nothing odd in {count} reading{'' if count == 1 else 's'}.",
        severity="good",
    )
