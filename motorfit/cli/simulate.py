"""motorfit simulate: the readings of an invented machine, with a slip in them if asked."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from motorfit.cli.options import grid, quantity

if TYPE_CHECKING:
    from collections.abc import Mapping

    from motorfit.machine.brushed import BrushedMachine
    from motorfit.quantities import Stated
    from motorfit.simulation.instruments import VirtualKit
    from motorfit.simulation.plan import BenchPlan

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
@click.option(
    "--speeds",
    callback=grid("speed"),
    multiple=True,
    metavar="SPEEDS",
    help='Driven speeds: "500:2500:250 rpm".  [default: eight up to 30 V]',
)
@click.option(
    "--resistors",
    callback=grid("resistance"),
    multiple=True,
    metavar="RESISTORS",
    help='Resistors of the load test: "2.2, 4.7, 10 ohm".  [default: three that fit]',
)
@click.option(
    "--supplies",
    callback=grid("voltage"),
    multiple=True,
    metavar="VOLTAGES",
    help='Supplies of the no-load test: "6, 12, 24 V".  [default: three that fit]',
)
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
    speeds: list[float],
    resistors: list[float],
    supplies: list[float],
    winding: Stated,
    kit_file: Path | None,
    mistake: str | None,
    answers: Path | None,
    force: bool,
    as_json: bool,
    **parameters: Stated,
) -> None:
    """Write the bench folder of an invented machine into DIR.

    The readings are those that known meters would have shown of a known machine, with
    errors as real ones have. With --mistake there is a slip to find, and the answer is
    kept in a file beside the folder.

    \b
    Example:
      motorfit simulate practice --mistake swapped-digits --seed 7
      motorfit simulate small --emf-constant "4 V/1000 rpm" --resistance "1.5 ohm"

    In Python: motorfit.simulate(machine, seed=7)
    """
    from motorfit.simulation.plan import Conditions
    from motorfit.simulation.practice import practice_texts

    machine = _machine(parameters)
    kit = _kit(kit_file) if kit_file else None
    try:
        texts, key = practice_texts(
            machine,
            plan=_with_place_for(mistake, machine, _plan(machine, speeds, resistors, supplies)),
            kit=kit,
            conditions=Conditions(winding=winding),
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


def _plan(
    machine: BrushedMachine, speeds: list[float], resistors: list[float], supplies: list[float]
) -> BenchPlan:
    """The usual plan, with what was asked for in its place."""
    from motorfit.simulation.plan import usual_plan

    for option, values in (("speeds", speeds), ("resistors", resistors), ("supplies", supplies)):
        if values and min(values) <= 0:
            raise click.BadParameter("must all be above zero.", param_hint=f"--{option}")
    plan = usual_plan(machine)
    return replace(
        plan,
        open_circuit_speeds=tuple(speeds) or plan.open_circuit_speeds,
        load_speeds=tuple(speeds) or plan.load_speeds,
        load_resistors=tuple(resistors) or plan.load_resistors,
        supply_voltages=tuple(supplies) or plan.supply_voltages,
    )


#: Currents of a brake test, of that which would flow in a held rotor.
_BRAKED = (0.05, 0.1, 0.15, 0.2)


def _with_place_for(mistake: str | None, machine: BrushedMachine, plan: BenchPlan) -> BenchPlan:
    """The plan, with the test that a slip needs where it has none."""
    if mistake != "wrong-arm":
        return plan
    import numpy as np

    supply = max(plan.supply_voltages)
    held = supply / np.asarray(machine.armature_resistance, float)
    torques = np.asarray(machine.emf_constant, float) * held * np.array(_BRAKED)
    return replace(plan, brake_torques=tuple(torques.tolist()), brake_voltage=supply)


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
