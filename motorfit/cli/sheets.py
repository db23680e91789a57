"""motorfit sheets: blank logging sheets for the bench."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from motorfit.bench.kinds import Kind
    from motorfit.bench.sheets import Kit, MeterAnswer, SpeedAnswer


def named_tests(_: click.Context, __: click.Parameter, value: str) -> tuple[Kind, ...]:
    """Read "open-circuit, load" as the names of two tests, and `all` as every one."""
    from motorfit.bench.kinds import KINDS
    from motorfit.bench.naming import nearest_kind

    plain = {name.replace("-", ""): name for name in KINDS}
    tests: dict[Kind, None] = {}  # in order, each once
    for word in filter(None, (part.strip() for part in value.split(","))):
        key = word.lower().replace("-", "").replace("_", "").replace(" ", "")
        if key == "all":
            return tuple(KINDS)
        if key not in plain:
            raise click.BadParameter(
                f"no test {word!r}; the nearest is {nearest_kind(word)}. "
                f"There are {', '.join(KINDS)}, or all."
            )
        tests[plain[key]] = None
    if not tests:
        raise click.BadParameter(f"names no test. There are {', '.join(KINDS)}, or all.")
    return tuple(tests)


@click.command()
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path), metavar="DIR")
@click.option(
    "--tests",
    callback=named_tests,
    default="open-circuit,load,no-load-motor",
    show_default=True,
    help="Kinds of test, separated by commas; all for every one.",
)
@click.option("--name", help="Name of the machine.  [default: the folder's name]")
@click.option(
    "--force",
    is_flag=True,
    help="Replace sheets and a machine.toml that are there, with what is in them.",
)
@click.option("--json", "as_json", is_flag=True, help="Name the files written as JSON.")
def sheets(
    folder: Path, tests: tuple[Kind, ...], name: str | None, force: bool, as_json: bool
) -> None:
    """Write blank logging sheets into DIR, with machine.toml and kit.toml beside them.

    The head of each sheet tells how to wire and do its test. The first time, on a
    terminal, five questions about your meters are asked; Enter takes the default.

    \b
    Example:
      motorfit sheets my-motor
      motorfit sheets my-motor --tests brake,resistance
    """
    from motorfit.bench.sheets import has_kit, write_sheets

    ask = on_a_terminal() and not as_json and not has_kit(folder)
    kit = _ask_for_kit() if ask else None
    written = write_sheets(folder, tests, name=name, kit=kit, force=force)
    if as_json:
        click.echo(json.dumps({"folder": str(folder), "written": written}, indent=2))
    else:
        click.echo("\n".join(_what_was_written(folder, written)))


def on_a_terminal() -> bool:
    """Whether somebody is there to answer."""
    return sys.stdin.isatty() and sys.stdout.isatty()


def _what_was_written(folder: Path, written: tuple[str, ...]) -> list[str]:
    from motorfit.bench.kinds import KINDS
    from motorfit.bench.sheets import SHEETS

    says = {
        "machine.toml": "what is known of the machine: look through it once",
        "kit.toml": "your meters; in the folder above it serves all your machines",
    }
    for kind, sheet in SHEETS.items():
        says[f"{kind}.csv"] = f"{KINDS[kind].title}, {sheet.minutes} minutes"
    shown = f'"{folder}"' if " " in str(folder) else str(folder)
    return [
        f"Written in {folder}:",
        *(f"  {name:<18} {says[name]}" for name in written),
        "The head of each sheet tells its wiring, steps and cautions. Fill in what you can;",
        "a sheet that stays blank does no harm. Then:",
        f"  motorfit fit {shown}",
    ]


def _ask_for_kit() -> Kit:
    """Ask five questions at most."""
    from motorfit.bench.sheets import SPEED_METERS, Kit

    click.echo("Five questions about your meters, once for all your machines. Enter takes a")
    click.echo('plain handheld kit. Accuracy is the line in the manual, like "0.5 % + 2 digits";')
    click.echo("counts is the largest number the meter can show, like 2000 or 6000.")
    voltage = _ask_for_meter("Voltmeter", "voltage")
    current = _ask_for_meter("Ammeter", "current")
    how = click.prompt(
        "How is speed read", type=click.Choice(list(SPEED_METERS)), default="tachometer"
    )
    speed: SpeedAnswer = SPEED_METERS[how]
    return Kit(voltage=voltage, current=current, speed=speed)


def _ask_for_meter(title: str, quantity: str) -> MeterAnswer:
    from motorfit.bench.sheets import MeterAnswer
    from motorfit.quantities import UnreadableError, read_accuracy

    def accuracy(text: str) -> str | None:
        if text == "plain":
            return None
        try:
            read_accuracy(text, quantity)
        except UnreadableError as error:
            raise click.UsageError(str(error)) from None
        return text

    def counts(text: str) -> int | None:
        if text.strip().lower() == "unknown":
            return None
        if not text.strip().isdecimal() or int(text) < 100:
            raise click.UsageError(f"found {text!r}, expected a number such as 2000 or 6000.")
        return int(text)

    stated = click.prompt(f"{title}: accuracy", default="plain", value_proc=accuracy)
    largest = click.prompt(f"{title}: counts", default="unknown", value_proc=counts)
    return MeterAnswer(accuracy=stated, counts=largest)
