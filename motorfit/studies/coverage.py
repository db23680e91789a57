"""Do the intervals hold the truth as often as they say? A study that anyone can rerun.

python -m motorfit.studies.coverage --benches 200 -o coverage.csv
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import Path

import click

from motorfit.errors import MotorfitError, OutputError
from motorfit.files import write_whole
from motorfit.studies.scenarios import SCENARIOS
from motorfit.studies.scores import findings_table, plain_table, score
from motorfit.studies.trials import Draw, Trial, trial

#: Of the table in the documentation.
SEED = 20240501

#: Benches that a process takes at a time.
_HANDFUL = 5


class _Refusal(click.ClickException):
    """What cannot be done: the message alone, and exit code 2."""

    exit_code = 2


def run_trials(
    scenarios: Sequence[str],
    benches: int,
    *,
    seed: int = SEED,
    level: float = 0.95,
    draw: Draw = "rectangular",
    processes: int = 1,
) -> Iterator[Trial]:
    """Simulate and fit benches, in order; the same whatever the number of processes.

    Parameters
    ----------
    scenarios : sequence of str
        Of `SCENARIOS`.
    benches : int
        Of each scenario.
    seed : int
        Of the whole study.
    level : float
        Coverage of the intervals.
    draw : {"rectangular", "normal"}
        How the meters' errors are drawn.
    processes : int
        How many run at a time; with one, all happens in this one.

    Yields
    ------
    Trial
    """
    names = [name for name in scenarios for _ in range(benches)]
    numbers = [number for _ in scenarios for number in range(benches)]
    one = partial(trial, seed=seed, level=level, draw=draw)
    if processes == 1:
        yield from map(one, names, numbers)
        return
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    with (
        _one_thread_each(),
        ProcessPoolExecutor(
            processes, mp_context=get_context("spawn"), initializer=_leave_stopping_to_the_parent
        ) as pool,
    ):
        yield from pool.map(one, names, numbers, chunksize=_HANDFUL)


def _leave_stopping_to_the_parent() -> None:
    """Ctrl-C reaches every process of a terminal; one message is enough."""
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Started processes inherit this; the matrices are too small to share one's work."""
    names = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
    missing = [name for name in names if name not in os.environ]
    os.environ.update(dict.fromkeys(missing, "1"))
    try:
        yield
    finally:
        for name in missing:
            del os.environ[name]


def _shown(trials: Iterable[Trial], total: int) -> list[Trial]:
    """All of them, with a bar on a terminal and nothing when piped."""
    from rich.console import Console
    from rich.progress import track

    console = Console(stderr=True)
    if not console.is_terminal:  # a bar that is switched off still ends its line
        return list(trials)
    return list(track(trials, "Fitting", total=total, console=console))


@click.command()
@click.option(
    "--benches",
    type=click.IntRange(min=2),
    default=200,
    show_default=True,
    help="How many of each scenario.",
)
@click.option(
    "--scenario",
    "scenarios",
    type=click.Choice(list(SCENARIOS)),
    multiple=True,
    metavar="NAME",
    help="Only this one; may be given several times.  [default: all]",
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
    "--seed",
    type=click.IntRange(min=0),
    default=SEED,
    show_default=True,
    help="The same seed gives the same table.",
)
@click.option(
    "--processes",
    type=click.IntRange(min=1),
    help="How many run at a time.  [default: one a core]",
)
@click.option(
    "-o",
    "--out",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Write the table as CSV, too.",
)
@click.option("--force", is_flag=True, help="Replace the CSV file if it is there.")
def main(
    benches: int,
    scenarios: tuple[str, ...],
    draw: Draw,
    level: float,
    seed: int,
    processes: int | None,
    out: Path | None,
    force: bool,
) -> None:
    """Count how often the intervals of simulated benches hold the truth.

    \b
    Example:
      python -m motorfit.studies.coverage --benches 200 -o coverage.csv
      python -m motorfit.studies.coverage --scenario "ten readings"
    """
    try:
        if out is not None and out.exists() and not force:  # before the work, not after it
            raise OutputError(f"{out} is there already. Replace it with --force.")
        chosen = scenarios or tuple(SCENARIOS)
        trials = run_trials(
            chosen,
            benches,
            seed=seed,
            level=level,
            draw=draw,
            processes=processes or os.cpu_count() or 1,
        )
        done = _shown(trials, benches * len(chosen))
        scores = score(done)
        click.echo(f"{plain_table(scores)}\n\n{findings_table(done)}")
        if out is not None:
            write_whole(out, scores.to_csv(index=False, float_format="%.6g"), force=force)
    except MotorfitError as error:
        raise _Refusal(str(error)) from error


if __name__ == "__main__":
    main(prog_name="python -m motorfit.studies.coverage")
