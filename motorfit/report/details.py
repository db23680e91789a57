"""Everything behind the first screen, for a reader who wants to check."""

from __future__ import annotations

import math

import numpy as np

from motorfit.estimate import Estimate, NotKnown
from motorfit.estimation.result import Fit, ResidualRow, Scatter
from motorfit.finding import Finding
from motorfit.profile.model import InstrumentError
from motorfit.quantities import friendly, from_si, show_interval, show_number
from motorfit.report.changes import Changes
from motorfit.report.heat_details import amps_section, heat_section
from motorfit.report.screen import finding_text, reading_cautions
from motorfit.report.shaft_details import (
    coast_down_section,
    constant_section,
    loss_section,
    starting_section,
)
from motorfit.report.tables import paragraphs, section, table
from motorfit.report.words import STANDS_OUT, TITLES, combination, rounded
from motorfit.unit_tables import RPM


def details(fit: Fit, changes: Changes | None = None) -> str:
    """All that a fit holds, as plain text of at most 96 columns.

    Parameters
    ----------
    fit : Fit
        The fit.
    changes : Changes, optional
        What changed since the profile that was there before.

    Returns
    -------
    str
        Sections in plain text, without a line end after the last line.
    """
    level = f"{100 * fit.level:.4g} %"
    sections = (
        section(f"Parameters in every unit, with {level} intervals", _values(fit)),
        section("Where their uncertainty comes from", _parts(fit)),
        section("Known only together", _together(fit)),
        section("Not known", _lacking(fit)),
        section(f"Lost in turning, with {level} intervals", loss_section(fit)),
        section("Torque constant against EMF constant", constant_section(fit)),
        section("Starting torque", starting_section(fit)),
        section("Coast-downs", coast_down_section(fit)),
        section("Heat run", heat_section(fit)),
        section(f"Amps, with {level} intervals", amps_section(fit)),
        section("Correlation of the parameters", _correlation(fit)),
        section("Optional terms", paragraphs(_terms(fit))),
        section("Scatter, as the residuals tell it", _scatter(fit)),
        section("Errors of the instruments, the same for all their readings", _instruments(fit)),
        section("Readings and the fitted machine", _residuals(fit)),
        section("Findings", paragraphs(map(_finding, fit.findings))),
        section("Assumed", paragraphs(_assumed(fit))),
        section("Left out", paragraphs(_left_out(fit))),
        section("What would help", paragraphs(_advice(fit))),
        section("Since the last profile", paragraphs(_since(changes))),
        section(
            "Cautions", paragraphs(f"{one.title}. {one.says}" for one in reading_cautions(fit))
        ),
    )
    return "\n\n".join(text for text in sections if text)


def _known(fit: Fit) -> dict[str, Estimate]:
    return {name: one for name, one in fit.parameters.items() if isinstance(one, Estimate)}


def _name(parameter: str) -> str:
    title = TITLES[parameter]
    return f"{title.letter}, {title.plain}"


def _values(fit: Fit) -> str:
    rows = [
        (_name(name) if number == 0 else "", *_in_unit(known, unit), known.standing)
        for name, known in _known(fit).items()
        for number, unit in enumerate(TITLES[name].units)
    ]
    columns = ("parameter", "value", "std. unc.", "interval", "unit", "standing")
    return table(columns, rows, right=("value", "std. unc.")) if rows else ""


def _in_unit(known: Estimate, unit: str) -> tuple[str, str, str, str]:
    """Value, standard uncertainty and interval in one unit."""
    if known.value == 0 and unit == "rpm/V":
        return "", "", "", unit
    value = _converted(known.value, unit)
    low, high = sorted(_converted(end, unit) for end in known.interval)
    # to first order; exact for all but the reciprocal
    size = abs(value / known.value) if known.value else abs(_converted(1.0, unit))
    uncertainty = known.standard_uncertainty * size
    return (
        show_number(value, uncertainty),
        _two_digits(uncertainty),
        show_interval(low, high),
        unit,
    )


def _two_digits(uncertainty: float) -> str:
    return show_number(uncertainty, uncertainty)


def _converted(value: float, unit: str) -> float:
    if unit == "rpm/V":
        return 1.0 / (RPM * value) if value else math.inf
    return float(from_si(value, unit))


def _parts(fit: Fit) -> str:
    rows = []
    for name, known in _known(fit).items():
        factor, unit = friendly(known.standard_uncertainty, known.unit)
        causes = "; ".join(
            f"{share.cause} {100 * share.share:.0f} %"
            for share in fit.widths.get(name, ())
            if share.share >= 0.005
        )
        rows.append(
            (
                TITLES[name].letter,
                _two_digits(factor * known.from_scatter),
                _two_digits(factor * known.from_instruments),
                unit,
                _degrees(known.degrees_of_freedom),
                known.method,
                causes,
            )
        )
    columns = (
        "",
        "scatter",
        "instruments",
        "unit",
        "d.o.f.",
        "interval by",
        "causes of the variance",
    )
    if not rows:
        return ""
    made = {known.method: _MADE.get(known.method, "") for known in _known(fit).values()}
    ways = paragraphs(f"Interval by {method}: {how}." for method, how in made.items() if how)
    text = table(columns, rows, right=("scatter", "instruments", "d.o.f."))
    return f"{text}\n{ways}" if ways else text


_MADE = {
    "linear": "Student's quantile for these degrees of freedom times the standard uncertainty; "
    "one-sided where the estimate is at zero",
    "profile": "where the sum of squares, the other parameters following, has grown by the "
    "square of Student's quantile",
    "monte-carlo": "quantiles of fits to readings and instruments drawn within their uncertainty",
    "bootstrap": "quantiles of fits to readings resampled among their like, instruments drawn",
}


def _degrees(number: float) -> str:
    return "inf" if math.isinf(number) or number > 9999 else f"{number:.0f}"


def _together(fit: Fit) -> str:
    rows = []
    for one in fit.profile.combinations:
        factor, unit = friendly(one.value, one.unit)
        low, high = (factor * end for end in one.interval)
        at = ", ".join(f"{name} {_at(name, value)}" for name, value in one.at.items())
        rows.append(
            (
                combination(one.of),
                show_number(factor * one.value, (high - low) / 2),
                _two_digits(factor * one.standard_uncertainty),
                show_interval(low, high),
                unit,
                at,
            )
        )
    columns = ("combination", "value", "std. unc.", "interval", "unit", "at")
    return table(columns, rows, right=("value", "std. unc.")) if rows else ""


def _at(name: str, value: float) -> str:
    if name == "speed":
        return f"{rounded(value / RPM, 4)} rpm"
    unit = {"current": "A", "load": "ohm", "voltage": "V"}.get(name, "")
    return f"{rounded(value)} {unit}".rstrip()


def _lacking(fit: Fit) -> str:
    rows = [
        (_name(name), one.standing, one.needs)
        for name, one in fit.parameters.items()
        if isinstance(one, NotKnown)
    ]
    return table(("parameter", "standing", "it takes"), rows) if rows else ""


def _correlation(fit: Fit) -> str:
    order = fit.profile.covariance_order
    if len(order) < 2:
        return ""
    covariance = fit.covariance
    size = np.sqrt(np.diag(covariance))
    size = np.where(size > 0, size, 1.0)
    matrix = covariance / size / size[:, None]
    letters = [TITLES[name].letter for name in order]
    rows = [
        (letter, *(f"{matrix[i, j]:+.2f}" if j < i else "" for j in range(len(order) - 1)))
        for i, letter in enumerate(letters)
        if i > 0
    ]
    return table(("", *letters[:-1]), rows, right=letters[:-1])


def _terms(fit: Fit) -> list[str]:
    """Which terms are in, and why."""
    said = []
    for one in fit.terms:
        evidence = "" if one.evidence is None else f" ({one.evidence:+.1f} standard deviations)"
        state = "in" if one.included else "not in"
        said.append(f"{one.term.replace('-', ' ')}: {state}; {one.why}{evidence}")
    return said


def _scatter(fit: Fit) -> str:
    rows = [(one.name, _deviation(one), _degrees(one.degrees_of_freedom)) for one in fit.scatter]
    text = table(
        ("scatter of", "standard deviation", "d.o.f."), rows, right=("standard deviation", "d.o.f.")
    )
    fitness = (
        f"Sum of squares {fit.chi_square:.4g} with {fit.degrees_of_freedom:.4g} degrees of freedom."
    )
    return f"{text}\n{fitness}" if rows else fitness


def _deviation(scatter: Scatter) -> str:
    if scatter.relative:
        return f"{100 * scatter.standard_deviation:.2g} %"
    units = {"voltage": "V", "current": "A", "speed": "rad/s", "torque": "N m", "force": "N"}
    return f"{scatter.standard_deviation:.2g} {units.get(scatter.name, '')}".rstrip()


def _instruments(fit: Fit) -> str:
    rows = [
        (one.quantity, one.id, one.range, one.error, _half_width(one), one.shape)
        for one in fit.profile.instruments
    ]
    columns = ("reads", "instrument", "range", "error", "half-width", "shape")
    return table(columns, rows, right=("half-width",)) if rows else ""


def _half_width(error: InstrumentError) -> str:
    if error.unit == "1":
        return f"{100 * error.half_width:.2g} %"
    factor, unit = friendly(error.half_width, error.unit)
    return f"{factor * error.half_width:.2g} {unit}"


def _residuals(fit: Fit) -> str:
    columns = (
        *("file", "row", "test", "measured", "fitted", "residual", "unit", "standardised"),
        "",
    )
    right = ("row", "measured", "fitted", "residual", "standardised")
    rows = [_residual(row) for row in fit.residuals]
    return table(columns, rows, right=right) if rows else ""


def _residual(row: ResidualRow) -> tuple[str, ...]:
    measured, fitted, left = row.measured, row.fitted, row.residual
    unit = "V"
    if row.equation == "torque":
        measured, fitted, left, unit = 1e3 * measured, 1e3 * fitted, 1e3 * left, "mN m"
    words = "STANDS OUT" if abs(row.standardised) > STANDS_OUT else ""
    held = f"counts {100 * row.weight:.0f} %" if row.weight < 1.0 else ""
    return (
        row.file,
        str(row.row),
        row.kind,
        rounded(measured, 4),
        rounded(fitted, 4),
        f"{left:+.2g}",
        unit,
        f"{row.standardised:+.1f}",
        " ".join(part for part in (words, held, row.note) if part),
    )


def _finding(finding: Finding) -> str:
    text = finding_text(finding)
    return text if finding.severity == "good" else f"{finding.severity.capitalize()}: {text}"


def _assumed(fit: Fit) -> list[str]:
    return list(dict.fromkeys((*fit.bench.assumed, *fit.profile.provenance.assumed)))


def _left_out(fit: Fit) -> list[str]:
    rows = [
        f"{run.source.name} row {row.row}: {row.reason}"
        for run in fit.bench.runs
        for row in run.excluded
    ]
    blank = [f"{name}: not filled in" for name in fit.bench.not_filled_in]
    return [*rows, *fit.unused, *blank]


def _advice(fit: Fit) -> list[str]:
    return [f"{one.does} ({one.minutes:.0f} min): {one.brings}" for one in fit.advice]


def _since(changes: Changes | None) -> list[str]:
    if changes is None:
        return []
    return list(changes.says()) or ["nothing changed in the digits that are shown"]
