"""The command to try after a fit."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path

import numpy as np

from motorfit.estimate import Estimate
from motorfit.estimation.result import Fit
from motorfit.report.layout import WIDTH
from motorfit.report.words import RPM, rounded, test_named_in

#: Room for a command beside its label.
LONGEST = WIDTH - len("Next  ")


def next_command(fit: Fit, profile: Path) -> str:
    """A prediction where the profile allows one, else sheets for the test that is missing.

    Parameters
    ----------
    fit : Fit
        The fit.
    profile : Path
        Where its profile is.

    Returns
    -------
    str
        A command that fits one line of the first screen.
    """
    whole = _predict(fit, profile) if _can_predict(fit) else _sheets(fit)
    if len(whole) <= LONGEST:
        return whole
    return "motorfit predict --help" if _can_predict(fit) else "motorfit sheets --help"


def _can_predict(fit: Fit) -> bool:
    needed = ("emf_constant", "armature_resistance", "brush_drop")
    return all(isinstance(fit.parameters[name], Estimate) for name in needed)


def _predict(fit: Fit, profile: Path) -> str:
    if profile.name == "profile.json":
        profile = profile.parent  # a folder stands for its profile
    fastest = fit.profile.range.speed[1] / RPM
    step = 100.0 if fastest >= 500 else 10.0
    fastest = max(step * (fastest // step), step)  # inside what was tested
    return (
        f'motorfit predict {quoted(profile)} --speed "{fastest:.0f} rpm" '
        f'--load "{rounded(_load(fit), 2)} ohm"'
    )


def _load(fit: Fit) -> float:
    """The resistor of the middle load reading; ten times the winding where there is none."""
    ohms = [
        np.where(
            np.isfinite(run.get("load")),
            run.get("load"),
            run.get("voltage") / np.abs(run.get("current")),
        )
        for run in fit.bench.of_kind("load")
    ]
    known = np.concatenate(ohms) if ohms else np.zeros(0)
    known = np.sort(known[np.isfinite(known)])
    if known.size:
        return float(known[known.size // 2])
    resistance = fit.parameters["armature_resistance"]
    return 10 * resistance.value if isinstance(resistance, Estimate) else 10.0


def _sheets(fit: Fit) -> str:
    needs = [getattr(known, "needs", "") for known in fit.parameters.values()]
    wanted = [test for test in map(test_named_in, needs) if test]
    source = fit.bench.source
    folder = source if source.suffix.lower() != ".csv" else source.with_suffix("")
    return f"motorfit sheets {quoted(folder)} --tests {wanted[0] if wanted else 'open-circuit'}"


def quoted(path: Path) -> str:
    """A path as it is typed in a command of this system's shell."""
    text = str(path)
    if sys.platform == "win32":
        return f'"{text}"' if " " in text else text
    return shlex.quote(text)
