"""motorfit simulate: the readings of an invented machine, with a slip in them if asked."""

from __future__ import annotations

import json
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from motorfit.cli.options import quantity
from motorfit.cli.virtual_plan import PlanWish, plan_of, plan_options

if TYPE_CHECKING:
    from collections.abc import Mapping

    from motorfit.machine.brushed import BrushedMachine
    from motorfit.quantities import Stated
    from motorfit.simulation.instruments import VirtualKit

#: Option, parameter of the machine, dimension, default, what it is.
_PARAMETERS = (
    ("--emf-constant", "emf_constant", "emf_constant", "9.1 V/1000 rpm", "Volts per speed."),
    ("--resistance", "armature_resistance", "resistance", "0.82 ohm", "Winding, without brushes."),
    ("--brush-drop", "brush_drop", "voltage", "0.85 V", "Both brushes together."),
    ("--dry-friction", "coulomb_torque", "torque", "31 mN m", "Turning loss at any speed."),
    ("--viscous", "viscous_coefficient", "viscous_coefficient", "4.5e-5 N m s/rad",
     "Turning loss that grows with speed."),
)  # fmt: skip


def named_mistake(_: click.Context, __: click.Parameter, value: str | None) -> str | None:
    """Read the name of a mistake, naming all of them where it is none."""
    from motorfit.simulation.mistakes import MISTAKES

    if value is not None and value not in MISTAKES:
        raise click.BadParameter(f"no mistake {value!r}. There are {', '.join(MISTAKES)}.")
    return value


def machine_options(command: click.Command) -> click.Command:
    """Add an option for each parameter of the machine."""
    for option, name, dimension, default, says in _PARAMETERS:
        read = quantity(dimension, positive=name in ("emf_constant", "armature_resistance"))
        add = click.option(
            option, name, callback=read, default=default, show_default=True, metavar="QUANTITY",
            help=says,
        )  # fmt: skip
        command = add(command)
    return command


@machine_options
@click.command()
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path), metavar="DIR")
@click.option(
    "--seed",
    type=click.IntRange(min=0),
    default=1,
    show_default=True,
    help="The same number gives the same files, byte for byte.",
)
@click.option("--name", help="Name of the machine.  [default: the folder's name]")
@plan_options
@click.option(
    "--winding",
    callback=quantity("temperature", positive=False),
    default="22 degC +- 5 K",
    show_default=True,
    metavar="TEMPERATURE",
    help="What is written of the winding; the truth is drawn from within.",
)
@click.option(
    "--kit",
    "kit_file",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="A kit.toml with the meters to read it with.  [default: plain handheld ones]",
)
@click.option(
    "--mistake",
    callback=named_mistake,
    metavar="NAME",
    help="Plant one slip: swapped-digits, decimal-point, wrong-row, sign, volts-in-amps, "
    "columns-swapped, wrong-resistor, wrong-setting, marks-counted-twice, loose-lead, "
    "missed-zero, shunt-changed, slipping-belt, wrong-arm.",
)
@click.option(
    "--answers",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Write what is behind the readings to this file.  [with --mistake: DIR-answers.json]",
)
@click.option("--force", is_flag=True, help="Replace files that are there.")
@click.option("--json", "as_json", is_flag=True, help="Name the files written as JSON.")
def simulate(
    folder: Path,
    seed: int,
    name: str | None,
    winding: Stated,
    kit_file: Path | None,
    mistake: str | None,
    answers: Path | None,
    force: bool,
    as_json: bool,
    **chosen: Any,
) -> None:
    """Write the bench folder of an invented machine into DIR.

    The readings are those that known meters would have shown of a known machine, with
    errors as real ones have. With --mistake there is a slip to find, and the answer is
    kept in a file beside the folder.

    \b
    Example:
      motorfit simulate practice --mistake swapped-digits --seed 7
      motorfit simulate small --emf-constant "4 V/1000 rpm" --resistance "1.5 ohm"
      motorfit simulate losses --coast-downs 2 --heat-runs "3 A"

    In Python: motorfit.simulate(machine, seed=7)
    """
    from motorfit.simulation.plan import Conditions
    from motorfit.simulation.practice import practice_texts

    wish = PlanWish(**{each.name: chosen.pop(each.name) for each in fields(PlanWish)})
    machine = _machine(chosen)
    kit = _kit(kit_file) if kit_file else None
    try:
        texts, key = practice_texts(
            machine,
            plan=plan_of(machine, wish, mistake),
            kit=kit,
            conditions=Conditions(winding=winding),
            moment_of_inertia=wish.inertia.value,
            seed=seed,
            name=name or folder.absolute().name,
            mistake=mistake,
        )
    except ValueError as error:  # the options do not go together
        raise click.UsageError(str(error)) from None
    if mistake and answers is None:
        answers = folder.with_name(f"{folder.absolute().name}-answers.json")
    _write(folder, texts, answers, key, force)
    if as_json:
        kept = None if answers is None else str(answers)
        written = {"folder": str(folder), "written": list(texts), "seed": seed, "answers": kept}
        click.echo(json.dumps(written, indent=2))
    else:
        click.echo("\n".join(_what_was_written(folder, texts, answers)))


def _machine(parameters: Mapping[str, Stated]) -> BrushedMachine:
    from motorfit.machine.brushed import BrushedMachine

    return BrushedMachine(**{name: stated.value for name, stated in parameters.items()})


def _kit(path: Path) -> VirtualKit:
    from motorfit.bench.toml_files import read_kit
    from motorfit.errors import BenchError, BenchProblemsError
    from motorfit.simulation.instruments import virtual_kit

    problems: list[BenchError] = []
    settings = read_kit(path, "", problems).settings
    if problems:
        raise BenchProblemsError(problems)
    return virtual_kit(settings.instruments, leads=settings.leads.resistance.value)


def _write(
    folder: Path, texts: Mapping[str, str], answers: Path | None, key: str, force: bool
) -> None:
    """Write the folder and the answer key, or neither."""
    from motorfit.errors import OutputError
    from motorfit.files import write_folder, write_whole

    if answers is not None and answers.exists() and not force:
        raise OutputError(
            f"{answers} is there already: nothing was written. "
            "Choose another name, or replace it with --force."
        )
    write_folder(folder, texts, force=force)
    if answers is not None:
        write_whole(answers, key, force=force)


def _what_was_written(folder: Path, texts: Mapping[str, str], answers: Path | None) -> list[str]:
    names = click.wrap_text(", ".join(texts), 78, "  ", "  ")
    lines = [f"Written in {folder}, all of it invented:", names]
    if answers is not None:
        lines.append(f"What is behind the readings: {answers}")
    shown = f'"{folder}"' if " " in str(folder) else str(folder)
    return [*lines, "Next:", f"  motorfit fit {shown}"]
