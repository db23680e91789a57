"""What to do after a fit: a command to try, or a blank sheet to fill in."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path

import numpy as np

from motorfit.bench.kinds import KINDS
from motorfit.bench.naming import kind_of
from motorfit.estimate import Estimate
from motorfit.estimation.result import Fit
from motorfit.report.layout import WIDTH
from motorfit.report.words import rounded, test_named_in
from motorfit.unit_tables import RPM

#: Room for a command beside its label.
LONGEST = WIDTH - len("Next  ")


#: Findings of the fit about readings that should be looked at before anything else.
_TO_MEND = frozenset({"outlier", "step", "wrong-setting", "tests-disagree"})


def next_command(fit: Fit, profile: Path) -> str:
    """A slip to look at, else a prediction, else a sheet for the test that is missing.

    Parameters
    ----------
    fit : Fit
        The fit.
    profile : Path
        Where its profile is.

    Returns
    -------
    str
        A command that fits one line of the first screen; where the missing test has its
        sheet already, which sheet to fill in before the same fit again.
    """
    faults = [finding.where for finding in fit.findings if finding.kind in _TO_MEND]
    if faults:
        wishes = _mend(fit, faults[0])
    else:
        wishes = _predictions(fit, profile) if _can_predict(fit) else _tests(fit)
    return next(wish for wish in wishes if len(wish) <= LONGEST)


def _mend(fit: Fit, where: str) -> tuple[str, ...]:
    """A slip comes before everything that rests on it."""
    again = f"look at {where}, then motorfit fit {quoted(fit.bench.source)}"
    return again, f"look at {where}, then fit again", "motorfit fit --help"


def _can_predict(fit: Fit) -> bool:
    needed = ("emf_constant", "armature_resistance", "brush_drop")
    return all(isinstance(fit.parameters[name], Estimate) for name in needed)


def _predictions(fit: Fit, profile: Path) -> tuple[str, ...]:
    """A prediction in what was tested; shorter ones where the path is long."""
    if profile.name == "profile.json":
        profile = profile.parent  # a folder stands for its profile
    fastest = fit.profile.range.speed[1] / RPM
    step = next((size for size in (100.0, 10.0) if fastest >= 5 * size), 1.0)
    fastest = max(step * (fastest // step), step)  # inside what was tested
    bare = f"motorfit predict {quoted(profile)}"
    at_speed = f'{bare} --speed "{fastest:.0f} rpm"'
    on_load = f'{at_speed} --load "{rounded(_load(fit), 2)} ohm"'
    return on_load, at_speed, bare, "motorfit predict --help"


def _load(fit: Fit) -> float:
    """The resistor of the middle load reading; ten times the winding where there is none."""
    with np.errstate(divide="ignore", invalid="ignore"):  # rows without current
        ohms = [
            np.where(
                np.isfinite(run.get("load")),
                run.get("load"),
                run.get("voltage") / np.abs(run.get("current")),
            )
            for run in fit.bench.of_kind("load")
        ]
    known = np.concatenate(ohms) if ohms else np.zeros(0)
    known = np.sort(known[np.isfinite(known) & (known > 0)])
    if known.size:
        return float(known[known.size // 2])
    resistance = fit.parameters["armature_resistance"]
    return 10 * resistance.value if isinstance(resistance, Estimate) else 10.0


def _tests(fit: Fit) -> tuple[str, ...]:
    """The missing test: its sheet where there is one, else how to have it; shorter ones too."""
    needs = [getattr(known, "needs", "") for known in fit.parameters.values()]
    test = next(filter(None, map(test_named_in, needs)), "open-circuit")
    if fit.advice:
        test = fit.advice[0].test
    source = fit.bench.source
    if source.suffix.lower() == ".csv":
        folder = source.with_suffix("")
        return f"motorfit sheets {quoted(folder)} --tests {test}", "motorfit sheets --help"
    blank = [name for name in fit.bench.not_filled_in if kind_of(name) == test]
    filled = [run.source.name for run in fit.bench.runs if run.kind == test]
    if filled and not blank and is_log(test):
        do = f"log another into {test}-{len(filled) + 1}.csv"
        return f"{do}, then motorfit fit {quoted(source)}", do, "motorfit fit --help"
    if blank or filled:
        do = f"fill in {blank[0]}" if blank else f"add such rows to {filled[0]}"
        return f"{do}, then motorfit fit {quoted(source)}", do, "motorfit fit --help"
    return f"motorfit sheets {quoted(source)} --tests {test}", "motorfit sheets --help"


def is_log(test: str) -> bool:
    """Whether each run of a kind of test is a sheet of its own: its readings follow in time."""
    return any(kind == test and one.follows_time for kind, one in KINDS.items())


def quoted(path: Path) -> str:
    """A path as it is typed in a command of this system's shell."""
    text = str(path)
    if sys.platform == "win32":
        return f'"{text}"' if " " in text else text
    return shlex.quote(text)
