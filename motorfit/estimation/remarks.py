"""Findings that say what the fit did of its own accord."""

from __future__ import annotations

from motorfit.estimation.selection import Chosen
from motorfit.estimation.terms import Considered, Term
from motorfit.finding import Finding, Severity

_ORDER: tuple[Severity, ...] = ("error", "caution", "note", "good")

_SHOWS: dict[Term, str] = {
    "armature-reaction": "The EMF weakens with the current (armature reaction)",
    "windage": "The turning loss bends upwards with speed (windage)",
    "magnet-temperature": "What warm magnets do to the EMF is known within 30 % only",
}


def with_remarks(findings: tuple[Finding, ...], chosen: Chosen) -> tuple[Finding, ...]:
    """Findings with what the fit decided by itself, most damaging first.

    Parameters
    ----------
    findings : tuple of Finding
        Of the readings.
    chosen : Chosen
        The solved bench.

    Returns
    -------
    tuple of Finding
    """
    remarks = [
        _of_term(one)
        for one in chosen.considered
        if one.included and not one.asked and one.evidence is not None
    ]
    return tuple(
        sorted([*findings, *remarks], key=lambda one: (_ORDER.index(one.severity), -one.damage))
    )


def _of_term(one: Considered) -> Finding:
    return Finding(
        kind=f"{one.term}-fitted",
        where="bench",
        says=(
            f"{_SHOWS[one.term]}: the readings show it by {one.evidence:.1f} standard "
            "deviations, so it was fitted too."
        ),
        suggestion="To see the fit without it: --terms none.",
        severity="note",
        damage=one.evidence or 0.0,
    )
