"""Fits and profiles as tables in a notebook.

Type ``%load_ext motorfit.report.notebook`` once in the notebook. Nothing else of motorfit
knows of notebooks: the results themselves stay without display.
"""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING, Any

from motorfit.estimate import Estimate, NotKnown
from motorfit.quantities import friendly, show_interval, show_number
from motorfit.report.words import TITLES
from motorfit.unit_tables import RPM

if TYPE_CHECKING:
    from jinja2 import Template

    from motorfit.estimation.result import Fit
    from motorfit.profile.model import MachineProfile


def load_ipython_extension(ipython: Any) -> None:
    """Show fits and profiles as tables in this notebook (called by ``%load_ext``)."""
    html = ipython.display_formatter.formatters["text/html"]
    # by name, so that showing a profile does not load the fitter
    html.for_type_by_name("motorfit.estimation.result", "Fit", fit_html)
    html.for_type_by_name("motorfit.profile.model", "MachineProfile", profile_html)


def unload_ipython_extension(ipython: Any) -> None:
    """Take the display away again (called by ``%unload_ext``)."""
    from motorfit.estimation.result import Fit
    from motorfit.profile.model import MachineProfile

    html = ipython.display_formatter.formatters["text/html"]
    for kind in (Fit, MachineProfile):
        html.pop(kind, None)


def fit_html(fit: Fit) -> str:
    """A fit as HTML: what it answers, its parameters, what is odd.

    Parameters
    ----------
    fit : Fit
        The fit.

    Returns
    -------
    str
        With everything that the user wrote escaped.
    """
    from motorfit.report.coast_words import made_from
    from motorfit.report.screen import chosen_findings, finding_text

    return _template().render(
        title=fit.profile.machine.name,
        made_from=f"{made_from(fit)} in {', '.join(fit.counts)}",
        answers=fit.answers,
        findings=[finding_text(one) for one in chosen_findings(fit.findings)],
        level=f"{100 * fit.level:.4g} %",
        rows=_rows(fit.profile),
    )


def profile_html(profile: MachineProfile) -> str:
    """A machine profile as HTML: its parameters and how they are known.

    Parameters
    ----------
    profile : MachineProfile
        The profile.

    Returns
    -------
    str
        With everything that the user wrote escaped.
    """
    return _template().render(
        title=profile.machine.name,
        level=f"{100 * profile.provenance.level:.4g} %",
        rows=_rows(profile),
    )


@functools.cache
def _template() -> Template:
    from jinja2 import Environment, PackageLoader

    environment = Environment(loader=PackageLoader("motorfit", "report"), autoescape=True)
    return environment.get_template("notebook.html.jinja")


def _rows(profile: MachineProfile) -> list[dict[str, str]]:
    return [_row(name, known) for name, known in profile.parameters.items()]


def _row(name: str, known: Estimate | NotKnown) -> dict[str, str]:
    title = TITLES[name]
    shown = {"name": f"{title.plain} ({title.letter})", "value": "", "interval": ""}
    if isinstance(known, NotKnown):
        return shown | {"known": f"{known.standing}; it takes: {known.needs}"}
    factor, unit = friendly(known.value or max(known.interval, key=abs), known.unit)
    if name == "emf_constant":
        factor, unit = 1000 * RPM, "V/1000 rpm"
    low, high = (factor * end for end in known.interval)
    return shown | {
        "value": f"{show_number(factor * known.value, (high - low) / 2)} {unit}",
        "interval": f"{show_interval(low, high)} {unit}",
        "known": known.standing,
    }
