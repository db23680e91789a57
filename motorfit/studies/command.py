"""What the commands of the studies share: options, and how a refusal is told."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

import click

from motorfit.errors import MotorfitError, OutputError

Command = TypeVar("Command", bound=Callable[..., Any])

#: Of the tables in the documentation.
SEED = 20240501


class Refusal(click.ClickException):
    """What cannot be done: the message alone, and exit code 2."""

    exit_code = 2


@contextmanager
def plain_refusals() -> Iterator[None]:
    """Whatever cannot be done within becomes a `Refusal`."""
    try:
        yield
    except MotorfitError as error:
        raise Refusal(str(error)) from error


def refuse_what_is_there(*files: Path | None, force: bool) -> None:
    """Refuse a file to be written that is there already: before the work, not after it.

    Raises
    ------
    OutputError
        If there is one, and ``force`` is not set.
    """
    for file in files:
        if file is not None and file.exists() and not force:
            raise OutputError(f"{file} is there already. Replace it with --force.")


def only_option(what: str, names: Iterable[str]) -> Callable[[Command], Command]:
    """An option that picks some of many; the command gets those, or all, as ``{what}s``."""
    everything = tuple(names)

    def picked(
        _context: click.Context, _option: click.Parameter, value: tuple[str, ...]
    ) -> tuple[str, ...]:
        return tuple(dict.fromkeys(value)) or everything

    return click.option(
        f"--{what}",
        f"{what}s",
        type=click.Choice(everything),
        multiple=True,
        metavar="NAME",
        callback=picked,
        help="Only this one; may be given several times.  [default: all]",
    )


def study_options(command: Command) -> Command:
    """The options that every study ends with: seed, processes, out and force."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


_OPTIONS = (
    click.option(
        "--seed",
        type=click.IntRange(min=0),
        default=SEED,
        show_default=True,
        help="The same seed gives the same tables.",
    ),
    click.option(
        "--processes",
        type=click.IntRange(min=1),
        default=lambda: os.cpu_count() or 1,
        show_default="one a core",
        help="How many run at a time.",
    ),
    click.option(
        "-o",
        "--out",
        type=click.Path(dir_okay=False, path_type=Path),
        help="Write the tables as CSV, too.",
    ),
    click.option("--force", is_flag=True, help="Replace the files if they are there."),
)
