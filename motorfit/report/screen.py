"""The first screen of a fit: what a person at the bench wants to know, in 25 lines."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from motorfit.arrays import FloatArray
from motorfit.bench.records import Run
from motorfit.cautions import Caution, crossed
from motorfit.estimation.result import Fit, WidthShare
from motorfit.finding import Finding, worst_first
from motorfit.report.changes import Changes
from motorfit.report.coast_words import made_from, readings_and_logs, sheets_and_logs
from motorfit.report.layout import (
    LABEL,
    NOTHING,
    WIDTH,
    Block,
    bulleted,
    cut,
    cut_row,
    end_of,
    fit_to_screen,
    gap,
    labelled,
    wrapped,
)
from motorfit.report.next_step import next_command
from motorfit.report.numbers import number_lines
from motorfit.report.words import TITLES, count_of, listed, place

LINES = 25

#: Room beside a label.
_BESIDE = WIDTH - LABEL

#: Findings that may stand on the first screen.
MOST_FINDINGS = 3

#: What the numbers and the advice of the screen say already.
_SAID_ELSEWHERE = frozenset({"not-told-apart"})

#: A cause with this share of a variance decides it.
DECIDES = 0.5

#: So many per cent of a log are no spikes.
_NO_SPIKE = 97.0

#: Defaults that decide the intervals come first.
_OF_AN_INSTRUMENT = re.compile(r"(speed|voltage|current|load|torque|force|arm)\b.*:")

_WHO_DECIDES = {
    "speed": "your rpm reading",
    "voltage": "your voltmeter",
    "current": "your ammeter",
    "load": "your resistors' values",
    "torque": "your torque reading",
    "force": "your scale",
    "arm": "the length of your arm",
    "winding": "its temperature",
    "temperature": "its temperature",
    "scatter": "scatter",
}


def first_screen(
    fit: Fit, *, written: Path | str | None = None, changes: Changes | None = None
) -> str:
    """What a fit found, in at most 25 lines of 80 columns.

    Parameters
    ----------
    fit : Fit
        The fit.
    written : Path or str, optional
        Where its profile was written, or a sentence that says why it was not.
    changes : Changes, optional
        What changed since the profile that was there before.

    Returns
    -------
    str
        Plain ASCII besides what the user wrote; without a line end after the last line.
    """
    blocks = (
        *(_made_from(fit), gap()),
        *(_answers(fit), gap()),
        *(_numbers(fit), _assumed(fit), _since(changes), gap()),
        *(_findings(fit), _cautions(fit), gap()),
        *(_limited_by(fit), _would_help(fit), gap()),
        _written(fit, written),
    )
    return fit_to_screen(blocks, LINES)


def _made_from(fit: Fit) -> Block:
    left_out = sum(len(run.excluded) for run in fit.bench.runs)
    marked = f"; {count_of(left_out, 'row')} left out as marked" if left_out else ""
    roomy, tight = f"{sheets_and_logs(fit)}{marked}", f"{made_from(fit)}{marked}"
    head = [cut(fit.profile.machine.title, WIDTH)]
    aside = _read_aside(fit)
    return Block(
        (
            head + labelled("Made from", roomy if len(roomy) < 2 * _BESIDE else tight, 2) + aside,
            head + labelled("Made from", roomy if len(roomy) <= _BESIDE else tight, 1) + aside,
        ),
        (1.5,),
    )


def _read_aside(fit: Fit) -> list[str]:
    """Sheets that were read and play no part, and those not filled in, in one line."""
    by_reason: dict[str, list[str]] = {}
    for one in fit.unused:
        name, _, reason = one.partition(": ")
        by_reason.setdefault(f"{reason[:1].upper()}{reason[1:]}", []).append(name)
    if fit.bench.not_filled_in:
        by_reason["Not filled in"] = list(fit.bench.not_filled_in)
    parts = [f"{reason}: {', '.join(names)}" for reason, names in by_reason.items()]
    return labelled("", ". ".join(parts), 1) if parts else []


def _answers(fit: Fit) -> Block:
    if not fit.answers:
        return NOTHING
    widest = max(len(answer.question) for answer in fit.answers)
    roomy, tight = [], []
    for number, answer in enumerate(fit.answers):
        says = f"{answer.answer}: {answer.why}" if answer.why else answer.answer
        head = f"{'' if number else 'Answers':<{LABEL}}{answer.question:<{widest}}  "
        tight.append(cut_row(head + says))
        first, *others = wrapped(says, WIDTH - len(head))
        roomy += [head + first, *(" " * len(head) + line for line in others)]
    return Block((roomy, tight), (2.0,))


def _numbers(fit: Fit) -> Block:
    numbers, together = number_lines(fit)
    return Block(([*numbers, *together], [*numbers, *together[:2]]), (5.0,))


def _assumed(fit: Fit) -> Block:
    assumed = sorted(fit.bench.assumed, key=lambda one: not _OF_AN_INSTRUMENT.match(one))
    if not assumed:
        return NOTHING
    text = "; ".join(one.rstrip(". ") for one in assumed)
    counted = f"{count_of(len(assumed), 'default')}, named under --details"
    versions = ((text, 3), (text, 2), (counted, 1))
    return Block(tuple(labelled("Assumed", one, most) for one, most in versions), (1.0, 2.8))


def _since(changes: Changes | None) -> Block:
    says = changes.says() if changes is not None else ()
    if not says:
        return NOTHING
    more = "" if len(says) == 1 else f" ({len(says) - 1} more: --details)"
    versions = [labelled("Since last", says[0] + more, most) for most in (2, 1)]
    return Block((*versions, []), (1.0, 3.0))


def chosen_findings(findings: Iterable[Finding]) -> list[Finding]:
    """The findings for the first screen, most damaging first, good news last."""
    return list(worst_first(findings)[:MOST_FINDINGS])


def _not_said(fit: Fit) -> list[Finding]:
    return [one for one in fit.findings if one.kind not in _SAID_ELSEWHERE]


def _findings(fit: Fit) -> Block:
    chosen = chosen_findings(_not_said(fit))
    if not any(one.severity != "note" for one in fit.findings):
        nothing_odd = Finding(
            kind="nothing-odd",
            where="bench",
            says=f"nothing odd in {readings_and_logs(fit)}.",
            severity="good",
        )
        chosen = [nothing_odd, *chosen][:MOST_FINDINGS]
    grave = [one for one in chosen if one.grave]
    told: list[tuple[list[Finding], int, int]] = [(chosen, most, most) for most in (4, 3, 2, 1)]
    costs: tuple[float, ...] = (1.0, 2.6, 2.7)
    if grave:  # what to do about them goes before all notes
        told = [(chosen, *most) for most in ((6, 4), (6, 2), (6, 1), (4, 1), (3, 1))]
        told += [(grave, 3, 0), (grave, 2, 0), (grave[:2], 2, 0), (grave[:2], 1, 0)]
        costs = (0.9, 1.0, 1.2, 2.82, 2.84, 2.9, 5.0, 6.0)
    return Block([_findings_told(fit, *version) for version in told], costs)


def _findings_told(fit: Fit, shown: Sequence[Finding], most: int, of_note: int) -> list[str]:
    """Some findings, the grave ones and the others cut after so many lines each."""
    label = _findings_label(fit, shown)
    lines: list[str] = []
    for one in shown:
        room = most if one.grave else of_note
        lines += bulleted("" if lines else label, [_told_in(one, room)], room)
    return lines


def _told_in(finding: Finding, lines: int) -> str:
    """A finding as a paragraph, by its first sentence where the whole is too long.

    What to do about it stays.
    """
    whole = finding_text(finding)
    if len(labelled("", f"- {whole}")) <= lines:
        return whole
    first, _, _ = finding.says.partition(". ")
    return finding_text(replace(finding, says=f"{first.rstrip('.')}."))


def _findings_label(fit: Fit, shown: Sequence[Finding]) -> str:
    """The label, with how many are shown where bad news had to stay behind."""
    bad = sum(one.severity != "good" for one in _not_said(fit))
    here = sum(one.severity != "good" for one in shown)
    return "Findings" if here == bad else f"Findings {here}/{bad}"


def finding_text(finding: Finding) -> str:
    """A finding in one paragraph: where, what, and what to do."""
    where = place(finding.where)
    head = "Good: " if finding.severity == "good" else ""
    if where and finding.where.partition(":")[0] not in finding.says:
        head += f"{where}: "
    return f"{head}{finding.says} {finding.suggestion}".strip()


def _cautions(fit: Fit) -> Block:
    cautions = reading_cautions(fit)
    if not cautions:
        return NOTHING
    whole = [f"{one.title}. {one.says}" for one in cautions]
    begun = [f"{one.says.partition('. ')[0].rstrip('.')}." for one in cautions]
    named = [f"{listed(one.title for one in cautions)}: what to do stands under --details"]
    told = ((whole, 4), (begun, 2), (begun, 1), (named, 2))
    versions = [bulleted("Caution", texts, most) for texts, most in told]
    return Block(versions, (2.5, 4.5, 6.5))


def reading_cautions(fit: Fit) -> tuple[Caution, ...]:
    """The cautions whose line the readings of a fit cross."""
    runs = fit.bench.runs
    return crossed(
        voltage=_largest(_lasting(run, run.get("voltage")) for run in runs),
        current=_largest(_lasting(run, _current(run)) for run in runs),
        resistor_power=_largest(
            _lasting(run, run.get("voltage") * _current(run)) for run in fit.bench.of_kind("load")
        ),
    )


def _lasting(run: Run, values: FloatArray) -> FloatArray:
    """Sizes of readings; of a log all but the spikes that a logger has."""
    sizes = np.abs(values[np.isfinite(values)])
    if run.test.follows_time and len(sizes):
        return np.asarray(np.minimum(sizes, np.percentile(sizes, _NO_SPIKE)))
    return np.asarray(sizes)


def _current(run: Run) -> FloatArray:
    """As read, or what the resistor took where no ammeter was in the way."""
    with np.errstate(divide="ignore", invalid="ignore"):
        by_load = run.get("voltage") / run.get("load")
    read = run.get("current")
    return np.where(np.isnan(read), by_load, read)


def _largest(arrays: Iterable[FloatArray]) -> float:
    return float(max((np.max(array, initial=0.0) for array in arrays), default=0.0))


def _limited_by(fit: Fit) -> Block:
    plain = {"emf_constant": "volts per 1000 rpm"}
    wanted = [name for name in ("emf_constant", "armature_resistance") if fit.widths.get(name)]
    texts = [
        f"{plain.get(name, TITLES[name].plain)}: {who_decides(fit.widths[name])}"
        for name in wanted or [name for name, shares in fit.widths.items() if shares][:1]
    ]
    if not texts:
        return NOTHING
    first, *others = texts
    lines = labelled("Limited by", first, 2)
    more = [line for text in others for line in labelled("", text, 2)]
    return Block((lines + more, lines), (3.0,))


def who_decides(shares: Sequence[WidthShare]) -> str:
    """What decides the width of one interval, and whether more readings would help."""
    causes: dict[str, float] = {}
    for one in shares:
        who = _WHO_DECIDES.get(one.quantity, one.cause)
        causes[who] = causes.get(who, 0.0) + one.share
    ordered = sorted(causes.items(), key=lambda cause: -cause[1])
    told = ordered[: 1 if ordered[0][1] >= DECIDES else 2]
    scatter = sum(one.share for one in shares if one.more_readings_help)
    return f"{', '.join(f'{who} {100 * share:.0f} %' for who, share in told)}; {_repeats(scatter)}"


def _repeats(scatter: float) -> str:
    if scatter >= DECIDES:
        return "repeats help"
    return "repeats help little" if scatter >= DECIDES / 2 else "repeats will not help"


def _would_help(fit: Fit) -> Block:
    if not fit.advice:
        return NOTHING
    best = fit.advice[0]
    text = f"{best.does} ({best.minutes:.0f} min): {best.brings}"
    return Block((labelled("Would help", text, 2), labelled("Would help", text, 1)), (7.0,))


def _written(fit: Fit, written: Path | str | None) -> Block:
    if written is None:
        return NOTHING
    text = str(written)
    roomy, tight = labelled("Written", text, 3), labelled("Written", end_of(text, WIDTH - LABEL), 1)
    if isinstance(written, Path):
        # a command must be copied whole: where it is long it begins further left
        command = next_command(fit, written)
        label = "Next" if len(command) > WIDTH - LABEL else f"{'Next':<{LABEL - 2}}"
        roomy, tight = [*roomy, f"{label}  {command}"], [*tight, f"{label}  {command}"]
    return Block((roomy, tight), (8.0,))
