"""Do the intervals hold the truth as often as they say? A study that anyone can rerun.

python -m motorfit.studies.coverage --benches 200 -o coverage.csv --figure coverage.png
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Literal, get_args

import click

from motorfit.errors import OutputError
from motorfit.estimation.intervals import Method
from motorfit.files import write_bytes_whole, write_whole
from motorfit.studies.command import (
    only_option,
    plain_refusals,
    refuse_what_is_there,
    study_options,
)
from motorfit.studies.running import commit, run_all, shown
from motorfit.studies.scenarios import SCENARIOS
from motorfit.studies.scores import Tally
from motorfit.studies.terminal import findings_text, scores_text, targets_text
from motorfit.studies.trials import Ask, Draw, Trial, trial

if TYPE_CHECKING:
    import pandas as pd


def run_trials(
    scenarios: Sequence[str], benches: int, ask: Ask, *, processes: int = 1
) -> Iterator[Trial]:
    """Simulate and fit benches, in order; the same whatever the number of processes.

    Parameters
    ----------
    scenarios : sequence of str
        Of `SCENARIOS`.
    benches : int
        Of each scenario.
    ask : Ask
        How they are drawn and fitted.
    processes : int
        How many run at a time.

    Yields
    ------
    Trial
    """
    tasks = ((name, number) for name in scenarios for number in range(benches))
    return run_all(partial(_trial, ask=ask), tasks, processes=processes)


def _trial(task: tuple[str, int], ask: Ask) -> Trial:
    return trial(*task, ask)


@click.command()
@click.option(
    "--benches",
    type=click.IntRange(min=2),
    default=200,
    show_default=True,
    help="How many of each scenario.",
)
@only_option("scenario", SCENARIOS)
@click.option(
    "--interval",
    "intervals",
    type=click.Choice(get_args(Method)),
    multiple=True,
    default=("linear",),
    show_default=True,
    help="How the intervals are made; may be given several times.",
)
@click.option(
    "--draws",
    type=click.IntRange(min=100),
    default=2000,
    show_default=True,
    help="Of each bench, where an interval is made of draws.",
)
@click.option(
    "--draw",
    type=click.Choice(["rectangular", "normal"]),
    default="rectangular",
    show_default=True,
    help="How the meters' own errors are distributed.",
)
@click.option(
    "--level",
    type=click.FloatRange(0.5, 0.999),
    default=0.95,
    show_default=True,
    help="Coverage of the intervals.",
)
@click.option(
    "--figure",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Draw it, as .png or .svg.",
)
@study_options
def main(
    benches: int,
    scenarios: tuple[str, ...],
    intervals: tuple[Method, ...],
    draws: int,
    draw: Draw,
    level: float,
    figure: Path | None,
    seed: int,
    processes: int,
    out: Path | None,
    force: bool,
) -> None:
    """Count how often the intervals of simulated benches hold the truth.

    How wide they are and how far the estimates scatter is held against the best that could
    be done with the same readings.

    \b
    Example:
      python -m motorfit.studies.coverage --benches 200 -o coverage.csv
      python -m motorfit.studies.coverage --scenario "ten readings"
    """
    with plain_refusals():
        form = _form(figure)
        refuse_what_is_there(out, figure, force=force)
        ask = Ask(
            seed=seed,
            level=level,
            draw=draw,
            intervals=tuple(dict.fromkeys(intervals)),
            draws=draws,
        )
        trials = run_trials(scenarios, benches, ask, processes=processes)
        tally = Tally(ask).add_all(shown(trials, benches * len(scenarios), "Fitting"))
        scores = tally.table()
        click.echo(f"{scores_text(scores)}\n\n{targets_text(scores)}\n\n{findings_text(tally)}")
        if out is not None:
            write_whole(out, _csv(scores, ask), force=force)
        if figure is not None:
            _draw(scores, figure, form, level, force=force)


def _form(figure: Path | None) -> Literal["png", "svg"]:
    suffix = ".png" if figure is None else figure.suffix.lower()
    if suffix not in (".png", ".svg"):
        raise OutputError(f"{figure}: a figure ends in .png or .svg.")
    return "png" if suffix == ".png" else "svg"


def _csv(scores: pd.DataFrame, ask: Ask) -> str:
    """With what it takes to make the same table again."""
    whole = scores.assign(
        level=ask.level, draw=ask.draw, draws=ask.draws, seed=ask.seed, commit=commit()
    )
    return whole.to_csv(index=False, float_format="%.6g")


def _draw(
    scores: pd.DataFrame,
    path: Path,
    form: Literal["png", "svg"],
    level: float,
    *,
    force: bool,
) -> None:
    from motorfit.report.figure_style import figure_bytes
    from motorfit.studies.figure import coverage_figure

    write_bytes_whole(path, figure_bytes(coverage_figure(scores, level), form), force=force)


if __name__ == "__main__":
    main(prog_name="python -m motorfit.studies.coverage")
