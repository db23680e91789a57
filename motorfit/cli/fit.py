"""motorfit fit: from a bench folder, or one table, to a machine profile."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from motorfit.cli.options import level_option
from motorfit.errors import MotorfitError, OutputError

if TYPE_CHECKING:
    from motorfit.estimation.result import Fit
    from motorfit.report.changes import Changes

FigureFormat = Literal["png", "svg"]

#: Exit code of bad input, and of results that could not be written.
BAD_INPUT = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What the command line asks for, besides the benches."""

    level: float = 0.95
    robust: bool = False
    terms: tuple[str, ...] | None = None
    out: Path | None = None
    figures: Path | None = None
    figure_format: FigureFormat = "png"
    force: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One bench: its fit and what was written, or what went wrong."""

    bench: Path
    fit: Fit | None = None
    changes: Changes | None = None
    written: Path | None = None
    figures: tuple[Path, ...] = ()
    problem: MotorfitError | None = None


def _terms(_: click.Context, __: click.Parameter, text: str) -> tuple[str, ...] | None:
    """Names of optional terms, none of them, or None for those that the fit chooses."""
    from motorfit.estimation.terms import check_terms

    names = [name.strip() for name in text.split(",") if name.strip()]
    if not names:
        raise click.BadParameter("names no term. Write names of terms, or none, or auto.")
    if names == ["auto"]:
        return None
    alone = next((name for name in names if name in ("auto", "none")), "")
    if alone and len(names) > 1:
        raise click.BadParameter(f"{alone!r} stands alone, found {text!r}.")
    try:
        return check_terms([] if names == ["none"] else names)
    except ValueError as error:
        raise click.BadParameter(f"{error} Or auto, or none.") from None


@click.command()
@click.argument(
    "benches", type=click.Path(path_type=Path), nargs=-1, required=True, metavar="BENCH..."
)
@click.option(
    "-o",
    "--out",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Where the profile goes.  [default: BENCH/profile.json, or NAME-profile.json]",
)
@level_option
@click.option("--robust", is_flag=True, help="Hold back readings that stand out, and name them.")
@click.option(
    "--terms",
    callback=_terms,
    default="auto",
    show_default=True,
    metavar="NAMES",
    help="Terms to fit besides the usual ones: armature-reaction, windage, magnet-temperature, "
    "with commas between; none; or auto, those that the readings demand and can carry.",
)
@click.option("--details", "with_details", is_flag=True, help="Show everything, not only a screen.")
@click.option(
    "--figures",
    type=click.Path(file_okay=False, path_type=Path),
    help="Draw figures into a folder.",
)
@click.option(
    "--figure-format",
    type=click.Choice(["png", "svg"]),
    default="png",
    show_default=True,
    help="What kind of files the figures are.",
)
@click.option("--json", "as_json", is_flag=True, help="Write the results as JSON, for programs.")
@click.option("--force", is_flag=True, help="Replace files that are there, whatever they are.")
@click.pass_context
def fit(
    ctx: click.Context,
    benches: tuple[Path, ...],
    out: Path | None,
    level: float,
    robust: bool,
    terms: tuple[str, ...] | None,
    with_details: bool,
    figures: Path | None,
    figure_format: FigureFormat,
    as_json: bool,
    force: bool,
) -> None:
    """Fit a machine to the readings in BENCH and write its profile.

    BENCH is a folder of sheets, or one table of driven readings (speed, voltage and
    current; rows without current are open circuit). With several, or a folder of such
    folders, each is fitted and a table ends it.

    \b
    Example:
      motorfit fit my-motor
      motorfit fit red.csv --details
      motorfit fit class/ --json

    In Python: motorfit.fit(motorfit.read_bench(bench), level=level, robust=robust,
    terms=terms)
    """
    wish = Wish(
        level=level,
        robust=robust,
        terms=terms,
        out=out,
        figures=figures,
        figure_format=figure_format,
        force=force,
    )
    chosen = [bench for path in benches for bench in benches_in(path)]
    if len(chosen) == 1 and chosen == list(benches):
        outcome = fit_one(chosen[0], wish)
        _show_one(outcome, with_details, as_json)
        if outcome.problem is not None:
            raise outcome.problem
        return
    if out is not None:
        raise click.UsageError("-o names one file, and there are several benches. Leave it out.")
    names = [_own_name(bench) for bench in chosen]
    if figures is not None and len(set(names)) < len(names):
        raise click.UsageError(
            "--figures makes a folder of each bench's name, and two have the same. "
            "Fit them one by one."
        )
    outcomes = [_carrying_on(bench, wish) for bench in _in_turn(chosen)]
    _show_several(outcomes, with_details, as_json)
    if any(outcome.problem is not None for outcome in outcomes):
        ctx.exit(BAD_INPUT)


def benches_in(path: Path) -> list[Path]:
    """The benches that a path stands for: itself, or the folders in a folder without sheets."""
    from motorfit.bench.naming import TABLE_SUFFIXES, is_left_over

    def has_sheets(folder: Path) -> bool:
        names = [one for one in folder.iterdir() if not is_left_over(one.name)]
        return any(
            one.suffix.lower() in TABLE_SUFFIXES or one.name == "machine.toml" for one in names
        )

    try:
        if not path.is_dir() or has_sheets(path):
            return [path]
        inside = sorted(
            one for one in path.iterdir() if one.is_dir() and not is_left_over(one.name)
        )
        return [one for one in inside if has_sheets(one)] or [path]
    except OSError:
        return [path]  # reading it tells what is wrong


def profile_place(bench: Path) -> Path:
    """Where the profile of a bench goes: in its folder, or beside its table."""
    if bench.is_dir():
        return bench / "profile.json"
    return bench.with_name(f"{bench.stem}-profile.json")


def fit_one(bench: Path, wish: Wish) -> Outcome:
    """Read, fit and write one bench.

    Raises
    ------
    MotorfitError
        If the bench cannot be read or fitted; then nothing is written. What cannot be
        written is told in the outcome, so that the results can be shown all the same.
    """
    import motorfit

    fitted = motorfit.fit(
        motorfit.read_bench(bench), level=wish.level, robust=wish.robust, terms=wish.terms
    )
    place = wish.out or profile_place(bench)
    changes = _changes(place, fitted)
    written: Path | None = None
    drawn: tuple[Path, ...] = ()
    try:
        fitted.profile.save(place, force=wish.force)
        written = place
        if wish.figures is not None:
            drawn = _draw(fitted, wish.figures, wish)
    except OutputError as problem:
        return Outcome(bench=bench, fit=fitted, changes=changes, written=written, problem=problem)
    return Outcome(bench=bench, fit=fitted, changes=changes, written=written, figures=drawn)


def _changes(place: Path, fitted: Fit) -> Changes | None:
    """What changed since the profile at ``place``, if one of the same machine is there."""
    if not place.is_file():
        return None
    import motorfit
    from motorfit.report.changes import changes_between

    try:
        before = motorfit.load_profile(place)
    except MotorfitError:
        return None
    same = before.machine.name == fitted.profile.machine.name
    return changes_between(before, fitted.profile) if same else None


def _draw(fitted: Fit, folder: Path, wish: Wish) -> tuple[Path, ...]:
    """Write the figures of a fit, all of them or none."""
    from motorfit.files import write_bytes_whole
    from motorfit.report.figure_style import figure_bytes
    from motorfit.report.figures import figures

    contents = {
        folder / f"{name}.{wish.figure_format}": figure_bytes(figure, wish.figure_format)
        for name, figure in figures(fitted).items()
    }
    if not contents:
        click.echo("No figures: nothing was driven, braked, run free or logged.", err=True)
        return ()
    taken = [path.name for path in contents if path.exists()]
    if taken and not wish.force:
        raise OutputError(
            f"{folder} already has {', '.join(taken)}: no figure was written. "
            "Choose another folder, or replace them with --force."
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(
            f"{folder}: the folder for the figures could not be made "
            f"({(error.strerror or str(error)).lower()}). Choose another."
        ) from None
    for path, content in contents.items():
        write_bytes_whole(path, content, force=wish.force)
    return tuple(contents)


def _in_turn(benches: list[Path]) -> Iterator[Path]:
    """The benches, each named on a terminal while it is at work."""
    for number, bench in enumerate(benches, start=1):
        if sys.stderr.isatty():
            click.echo(f"{number}/{len(benches)} {bench}", err=True)
        yield bench


def _carrying_on(bench: Path, wish: Wish) -> Outcome:
    """Fit one of several benches; a bad one is told and does not stop the others."""
    from dataclasses import replace

    figures = wish.figures / _own_name(bench) if wish.figures else None
    try:
        outcome = fit_one(bench, replace(wish, figures=figures))
    except MotorfitError as problem:
        outcome = Outcome(bench=bench, problem=problem)
    if outcome.problem is not None:
        click.echo(f"{bench}: {outcome.problem}", err=True)
    return outcome


def _show_one(outcome: Outcome, with_details: bool, as_json: bool) -> None:
    if as_json:
        click.echo(json.dumps(content_of(outcome), indent=2, ensure_ascii=False))
        return
    click.echo(_screen(outcome, with_details))
    if outcome.figures:
        names = ", ".join(path.name for path in outcome.figures)
        click.echo(f"Figures in {outcome.figures[0].parent}: {names}", err=True)


def _screen(outcome: Outcome, with_details: bool) -> str:
    from motorfit.report.screen import first_screen

    assert outcome.fit is not None
    written: Path | str = outcome.written or f"nowhere: {outcome.problem}"
    screen = first_screen(outcome.fit, written=written, changes=outcome.changes)
    if not with_details:
        return screen
    from motorfit.report.details import details

    return f"{screen}\n\n{details(outcome.fit, outcome.changes)}"


def _show_several(outcomes: list[Outcome], with_details: bool, as_json: bool) -> None:
    if as_json:
        content = {"benches": [content_of(outcome) for outcome in outcomes]}
        click.echo(json.dumps(content, indent=2, ensure_ascii=False))
        return
    from motorfit.report.summary import summary

    if with_details:
        for outcome in outcomes:
            if outcome.fit is not None:
                click.echo(f"{_screen(outcome, with_details)}\n")
    click.echo(summary({str(outcome.bench): outcome.fit for outcome in outcomes}))
    written = sum(outcome.written is not None for outcome in outcomes)
    click.echo(f"{written} of {len(outcomes)} profiles written, each with its bench.")


def _own_name(bench: Path) -> str:
    bench = bench if bench.name else bench.resolve()
    return bench.name if bench.is_dir() else bench.stem


def content_of(outcome: Outcome) -> dict[str, Any]:
    """What `--json` tells of one bench."""
    from motorfit.report.content import fit_content

    content: dict[str, Any] = {"bench": str(outcome.bench)}
    if outcome.fit is not None:
        content |= fit_content(outcome.fit, outcome.changes)
    content["written"] = None if outcome.written is None else str(outcome.written)
    content["figures"] = [str(path) for path in outcome.figures]
    if outcome.problem is not None:
        content["problem"] = str(outcome.problem)
    return content
