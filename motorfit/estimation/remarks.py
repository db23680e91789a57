"""Findings that say what the fit did of its own accord, or held back as asked."""

from __future__ import annotations

from motorfit.estimation.joint import Joint
from motorfit.estimation.profiling import fitted_magnet_coefficient
from motorfit.estimation.result import ResidualRow
from motorfit.estimation.terms import Considered, Term
from motorfit.finding import Finding, Severity

#: How bad it is, what the readings show, and where to look.
_SHOWS: dict[Term, tuple[Severity, str, str]] = {
    # what slips under load looks the same, and is not the machine's
    "armature-reaction": (
        "caution",
        "The volts per rpm fall with the current (armature reaction)",
        "A belt or tyre that slips under load looks the same: rule that out. ",
    ),
    "windage": ("note", "The turning loss bends upwards with speed (windage)", ""),
}

#: A row that counts less than this is named; of a clean bench one in 140 does, whose residual is
#: beyond twice the cutoff.
HELD_BACK = 0.5

_MOST_NAMED = 5


def remarks_on(
    considered: tuple[Considered, ...],
    residuals: tuple[ResidualRow, ...],
    joint: Joint,
) -> tuple[Finding, ...]:
    """What the fit decided by itself, and which rows it held back as asked.

    Parameters
    ----------
    considered : tuple of Considered
        Optional terms.
    residuals : tuple of ResidualRow
        With the weight of each row.
    joint : Joint
        The solved bench.

    Returns
    -------
    tuple of Finding
    """
    by_itself = [one for one in considered if one.included and not one.asked]
    remarks = [
        _of_magnets(joint) if one.term == "magnet-temperature" else _of_term(one)
        for one in by_itself
    ]
    if joint.problem.held is not None:
        remarks += _held_back(residuals)
    return tuple(remarks)


def _of_term(one: Considered) -> Finding:
    severity, shows, look = _SHOWS[one.term]
    return Finding(
        kind=f"{one.term}-fitted",
        where="bench",
        says=(
            f"{shows}: the readings show it by {one.evidence:.1f} standard deviations, so it "
            "was fitted too."
        ),
        suggestion=f"{look}To see the fit without it: --terms none.",
        severity=severity,
        damage=one.evidence or 0.0,
    )


def _of_magnets(joint: Joint) -> Finding:
    coefficient = 100.0 * (fitted_magnet_coefficient(joint) or 0.0)
    return Finding(
        kind="magnet-temperature-fitted",
        where="bench",
        says=(
            "The magnets were read cold and warm, so what warmth does to them was fitted too: "
            f"{coefficient:+.2g} % of the EMF constant a kelvin."
        ),
        severity="note",
    )


def _held_back(residuals: tuple[ResidualRow, ...]) -> list[Finding]:
    """Which rows count less than they would, worst first; none where all count fully."""
    weights = {(one.file, one.row): one.weight for one in residuals if one.weight < 1.0}
    if not weights:
        return []
    ranked = sorted(weights.items(), key=lambda item: item[1])
    held = [item for item in ranked if item[1] < HELD_BACK]
    named = [
        f"{file} row {row} (counts {100 * weight:.0f} %)"
        for (file, row), weight in held[:_MOST_NAMED]
    ]
    rest = len(ranked) - len(named)
    if rest:
        more = "row" if rest == 1 else "rows"
        named.append(f"{rest} {'more ' if named else ''}{more} a little")
    where = f"{ranked[0][0][0]}:{ranked[0][0][1]}" if held else "bench"
    return [
        Finding(
            kind="held-back",
            where=where,
            says=(
                f"Held back by the robust fit: {'; '.join(named)}. None was dropped; the "
                "weights stand with the readings in the details."
            ),
            suggestion="Look at your notes for these rows." if held else "",
            severity="note",
            damage=1.0 / ranked[0][1],
        )
    ]
