"""The group behind `motorfit`: lazy commands, and one place for everything that goes wrong."""

from __future__ import annotations

import atexit
import errno
import gc
import importlib
import io
import os
import sys
from collections.abc import Mapping
from typing import IO, Any, NoReturn

import click

import motorfit
from motorfit.errors import MotorfitError

WHAT_IT_DOES = """Measure a permanent-magnet motor with a drill and a meter.

A dozen or two bench readings become a machine profile: volts per rpm, winding
resistance, brush drop and turning loss, each with an honest interval.

\b
Example:
  motorfit demo                  see the whole job on an invented machine
  motorfit sheets my-motor       blank logging sheets for your own
  motorfit fit my-motor          the machine profile from the filled sheets
"""

#: New objects after which Python looks for rubbish in rings: a command makes next to none, and
#: the usual 700 would have it search all that was imported, for a seventh of the command's time.
_SELDOM = 200_000

#: What shells report for a program that was stopped by Ctrl-C, and by a closed pipe.
STOPPED, PIPE_CLOSED = 130, 141


class Refusal(click.ClickException):
    """Input that cannot be used: the message alone on stderr, exit code 2."""

    exit_code = 2

    def show(self, file: IO[Any] | None = None) -> None:
        """Write the message as it is; it names its own place and remedy."""
        click.echo(self.message, file=file, err=file is None)


class OwnMistake(Refusal):
    """An error of motorfit's own: what to report, exit code 3."""

    exit_code = 3


class CommandGroup(click.Group):
    """Commands from a table ``name -> (module, short help)``, imported when they are run.

    A command is the object ``name`` in its module. ``motorfit --help`` reads the table
    only, so that it imports nothing besides click.

    Exit codes: 0 done; 1 done and the answer is no; 2 bad input; 3 an error of our own.
    """

    def __init__(self, table: Mapping[str, tuple[str, str]]) -> None:
        super().__init__(
            name="motorfit",
            help=WHAT_IT_DOES,
            callback=_help_if_alone,
            invoke_without_command=True,
            context_settings={"help_option_names": ["-h", "--help"]},
            params=[],
        )
        self.table = table
        click.version_option(motorfit.__version__, prog_name="motorfit")(self)

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        """Names of the commands, in the order of the table."""
        return list(self.table)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        """Import the module of a command and take the command from it."""
        if cmd_name not in self.table:
            return None
        command = getattr(importlib.import_module(self.table[cmd_name][0]), cmd_name)
        assert isinstance(command, click.Command)
        return command

    def format_commands(
        self,
        ctx: click.Context,  # noqa: ARG002
        formatter: click.HelpFormatter,
    ) -> None:
        """List the commands from the table, without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, says) for name, (_, says) in self.table.items()])

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command that was asked for, or name the nearest one."""
        if args[0] not in self.table and not args[0].startswith("-"):
            from difflib import get_close_matches

            near = get_close_matches(args[0], self.table, 1, cutoff=0.5)
            hint = f" Did you mean {near[0]}?" if near else f" There are {', '.join(self.table)}."
            ctx.fail(f"No command {args[0]!r}.{hint}")
        return super().resolve_command(ctx, args)

    def main(self, *args: Any, **options: Any) -> Any:
        """Run the command line on a console of any character set."""
        for stream in (sys.stdout, sys.stderr):
            if isinstance(stream, io.TextIOWrapper):
                stream.reconfigure(errors="replace")
        # before numpy is there: our matrices are small, and threads would wait for each other
        os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
        usual = gc.get_threshold()
        gc.set_threshold(_SELDOM)
        atexit.register(gc.freeze)  # nor is there anything to find at the very end
        try:
            return super().main(*args, **options)
        finally:
            gc.set_threshold(*usual)

    def invoke(self, ctx: click.Context) -> Any:
        """Run a command; turn whatever it raises into a message and an exit code."""
        try:
            outcome = super().invoke(ctx)
            sys.stdout.flush()  # here, so that a closed pipe is noticed here
            return outcome
        except MotorfitError as error:
            raise Refusal(str(error)) from error
        except (click.ClickException, click.exceptions.Exit):
            raise
        except (KeyboardInterrupt, click.Abort):
            click.echo("\nStopped.", err=True)
            raise click.exceptions.Exit(STOPPED) from None
        except OSError as error:
            _refuse_file(error)
        except Exception as error:
            raise OwnMistake(_what_to_report(error)) from error


def _help_if_alone() -> None:
    ctx = click.get_current_context()
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help())


def _refuse_file(error: OSError) -> NoReturn:
    """A closed pipe ends quietly; any other file that fails is named with the reason."""
    if error.errno == errno.EPIPE:
        # What is left in the buffer has nowhere to go, and would fail again at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise click.exceptions.Exit(PIPE_CLOSED) from None
    place = f"{error.filename}: " if error.filename else ""
    raise Refusal(
        f"{place}{error.strerror or error}. Check that the file or folder exists, that it is "
        "not open in another program, and that you may read and write there."
    ) from error


def _what_to_report(error: Exception) -> str:
    """Keep the full account in a file; say where it is."""
    import platform
    import tempfile
    import traceback

    account = "\n".join(
        (
            f"motorfit {motorfit.__version__}, Python {platform.python_version()}, "
            f"{platform.platform()}",
            f"command: {' '.join(sys.argv)}",
            "",
            *traceback.format_exception(error),
        )
    )
    with tempfile.NamedTemporaryFile(
        "w", prefix="motorfit-error-", suffix=".txt", delete=False, encoding="utf-8"
    ) as file:
        file.write(account)
    first_line = (str(error).splitlines() or [""])[0]
    return (
        f"motorfit made a mistake of its own: {type(error).__name__}: {first_line}\n"
        "Your readings are as they were. Please report this, with the file\n"
        f"  {file.name}\n"
        "which holds what happened (have a look: it names your folders)."
    )
