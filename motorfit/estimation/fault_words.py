"""What was found wrong with a bench, as findings, most damaging first."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace

from motorfit.bench.records import Bench
from motorfit.estimation.change_words import change_findings
from motorfit.estimation.effect_words import what_it_does
from motorfit.estimation.joint import Joint
from motorfit.estimation.reading_words import reading_findings
from motorfit.estimation.search import Explained
from motorfit.estimation.sheet_words import MARKS
from motorfit.finding import Finding


def fault_findings(bench: Bench, joint: Joint, explained: Explained) -> list[Finding]:
    """A finding for each thing that is wrong; the gravest says what it does to the result.

    Parameters
    ----------
    bench : Bench
        The readings.
    joint : Joint
        The fit as the user gets it.
    explained : Explained
        What the search found.

    Returns
    -------
    list of Finding
        Empty where nothing was found.
    """
    found = [*reading_findings(bench, explained), *change_findings(bench, explained)]
    if not found:
        return []
    found.sort(key=lambda each: -each.damage)
    first, *others = found
    them = _without(found)
    return [replace(first, says=_with(first.says, what_it_does(joint, explained, them))), *others]


#: Findings before the fit that say that a sheet as a whole is not what it seems: what its
#: readings do to the fit need not be said again.
_WHOLE_SHEET = frozenset(
    {
        "voltage-current-mixed",
        "voltage-falls-with-speed",
        "speed-columns-disagree",
        "almost-no-voltage",
        "too-much-voltage",
    }
)

#: Findings before the fit about single rows, which the fit puts more closely.
_OF_A_ROW = frozenset(
    {"mixed-signs", "load-disagrees", "load-above-open-circuit", "negative-resistance"}
)


def told_once(before: Iterable[Finding], faults: Iterable[Finding]) -> list[Finding]:
    """Findings before the fit and of the fit, each thing said by one of them.

    Parameters
    ----------
    before : iterable of Finding
        From the checks of physical sense.
    faults : iterable of Finding
        From `fault_findings`.

    Returns
    -------
    list of Finding
    """
    before, faults = list(before), list(faults)
    mixed = {_file(each) for each in before if each.kind in _WHOLE_SHEET}
    if mixed:
        single = [each for each in faults if each.kind == "outlier"]
        return [*before, *(each for each in single if _file(each) not in mixed)]
    if any(each.kind == "constant-off-torque" for each in before):
        faults = [each for each in faults if each.kind != "constants-differ"]
    groups = {place for each in faults if each.kind == "wrong-setting" for place in _places(each)}
    # rows beside the speeds of others do not fit one by one either
    faults = [each for each in faults if each.kind != "outlier" or not _places(each) <= groups]
    told = [each for each in faults if each.kind in ("outlier", "wrong-setting")]
    places = {place for each in told for place in _places(each)}
    apart = {_file(each) for each in faults if each.kind == "tests-disagree"}
    counted = any(each.kind == "tests-disagree" and MARKS in each.says for each in faults)
    kept = [
        each
        for each in before
        if not (each.kind in _OF_A_ROW and _places(each) <= places)
        and not (each.kind == "load-above-open-circuit" and apart)
        and not (each.kind == "constant-off-torque" and counted)
        and not (each.kind == "load-disagrees" and _file(each) in apart)
        and not (each.kind == "load-disagrees" and _is_of_a_step(each, faults))
    ]
    return [*kept, *faults]


def _is_of_a_step(row: Finding, faults: Iterable[Finding]) -> bool:
    """Whether rows lie behind a place from which on their sheet is another."""
    steps = [
        (_file(each), int(each.where.rpartition(":")[2])) for each in faults if each.kind == "step"
    ]
    return all(
        number.isdigit() and any(file == own and int(number) >= start for own, start in steps)
        for file, number in _places(row)
    )


def _file(finding: Finding) -> str:
    return finding.where.partition(":")[0]


def _places(finding: Finding) -> set[tuple[str, str]]:
    """File and row of each row that a finding is about; the file alone where it names none."""
    file, _, rows = finding.where.partition(":")
    listed = _ROWS.search(finding.says)
    if not rows and listed and "more" not in listed[1]:
        rows = ",".join(re.findall(r"\d+", listed[1]))
    return {(file, row) for row in rows.split(",")}


#: Rows of a whole sheet's finding, as the checks before the fit list them.
_ROWS = re.compile(r"\(rows ([^)]*)\)")


def _without(found: list[Finding]) -> str:
    if len(found) > 1:
        return "with all that is odd allowed for,"
    if found[0].kind != "outlier":
        return "allowing for that,"
    return "without them" if "," in found[0].where else "without it"


def _with(says: str, effect: str) -> str:
    """The effect at the end of the first sentence, where a short screen keeps it."""
    if not effect:
        return says
    first, stop, rest = says.partition(". ")
    return f"{first.rstrip('.')}; {effect}.{f' {rest}' if stop else ''}"
