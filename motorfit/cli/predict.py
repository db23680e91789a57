"""motorfit predict: what a machine will do, over a grid of speeds and loads."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

import click

from motorfit.cli.options import grid, level_option, read_stated
from motorfit.unit_tables import RPM

if TYPE_CHECKING:
    from motorfit.profile.grid import Given
    from motorfit.profile.model import MachineProfile

#: At most so many speeds, at round numbers, where none are asked for.
USUAL_SPEEDS = 6


def temperature(_: click.Context, __: click.Parameter, text: str | None) -> float | None:
    """Read one temperature. [degC]"""
    return None if text is None else read_stated(text, "temperature").value


@click.command()
@click.argument("profile", type=click.Path(path_type=Path))
@click.option(
    "--speed",
    "speeds",
    callback=grid("speed"),
    multiple=True,
    metavar="SPEED",
    help='Shaft speeds: "1500 rpm", "500, 1000 rpm" or "500:3000:250 rpm" (first:last:step).  '
    "[default: round ones over the tested range]",
)
@click.option(
    "--load",
    "loads",
    callback=grid("resistance", open_end=True),
    multiple=True,
    metavar="RESISTANCE",
    help='Resistors fed by the driven machine: "4.7 ohm", or open.  [default: open]',
)
@click.option(
    "--current",
    "currents",
    callback=grid("current"),
    multiple=True,
    metavar="CURRENT",
    help='Currents that the driven machine gives: "2 A". With --motor, that it draws.',
)
@click.option(
    "--voltage",
    "voltages",
    callback=grid("voltage"),
    multiple=True,
    metavar="VOLTAGE",
    help='Voltages held at the terminals: "24 V".',
)
@click.option("--motor", is_flag=True, help="Take --current as drawn from a supply.")
@click.option(
    "--winding",
    callback=temperature,
    metavar="TEMPERATURE",
    help='Winding temperature, "60 degC".  [default: the reference temperature]',
)
@click.option(
    "--magnets",
    callback=temperature,
    metavar="TEMPERATURE",
    help="Temperature of the magnets.  [default: the reference temperature]",
)
@level_option
@click.option(
    "--format",
    "form",
    type=click.Choice(["table", "csv", "json"]),
    help="How it is written.  [default: table, or as --out ends]",
)
@click.option("--json", "as_json", is_flag=True, help="The same as --format json.")
@click.option("-o", "--out", type=click.Path(path_type=Path), help="Write it to this file.")
@click.option("--force", is_flag=True, help="Replace the file that --out names.")
def predict(
    profile: Path,
    speeds: list[float],
    loads: list[float],
    currents: list[float],
    voltages: list[float],
    motor: bool,
    winding: float | None,
    magnets: float | None,
    level: float,
    form: str | None,
    as_json: bool,
    out: Path | None,
    force: bool,
) -> None:
    """Predict voltage, current, torque, power and efficiency from PROFILE.

    PROFILE is a profile, or the folder it lies in. What a generator gives is positive.
    What the profile does not know stays blank, with the test that would measure it.

    \b
    Example:
      motorfit predict my-motor --speed "500:3000:250 rpm" --load "4.7 ohm"
      motorfit predict my-motor --speed "1500 rpm" --voltage "24 V" --winding "60 degC"

    In Python: motorfit.load_profile("my-motor/profile.json").voltage(speed=..., load=...)
    """
    from motorfit.files import write_whole
    from motorfit.profile.grid import predict_grid
    from motorfit.profile.storage import load_profile, profile_path
    from motorfit.report.predictions import write_predictions

    known = load_profile(profile_path(profile))
    rows = predict_grid(
        known,
        speeds or _usual_speeds(known),
        _points(loads, currents, voltages, motor),
        winding=winding,
        magnets=magnets,
        level=level,
    )
    chosen = form or ("json" if as_json else _by_ending(out))
    text = write_predictions(known, rows, chosen, level=level, winding=winding)
    if out is None:
        click.echo(text, nl=False)
    else:
        write_whole(out, text, force=force)
        click.echo(f"Written: {out}", err=True)


def _usual_speeds(profile: MachineProfile) -> list[float]:
    """Round speeds over the range that was tested; its upper end where it has no width."""
    low, high = (speed / RPM for speed in profile.range.speed)
    least = max((high - low) / USUAL_SPEEDS, 1e-9)
    decade = 10.0 ** math.floor(math.log10(least))
    step = next(decade * lead for lead in (1, 2, 2.5, 5, 10) if decade * lead >= least)
    numbers = range(math.ceil(low / step), math.floor(high / step) + 1)
    return [RPM * step * number for number in numbers] if high > low else [RPM * high]


def _points(
    loads: list[float], currents: list[float], voltages: list[float], motor: bool
) -> list[tuple[Given, float]]:
    if 0.0 in loads:
        raise click.BadParameter('a short circuit is --voltage "0 V"', param_hint="--load")
    sign = 1.0 if motor else -1.0
    points: list[tuple[Given, float]] = [("load", load) for load in loads]
    points += [("current", sign * current + 0.0) for current in currents]
    points += [("voltage", voltage) for voltage in voltages]
    return points or [("load", math.inf)]


def _by_ending(out: Path | None) -> str:
    ending = out.suffix.lower().lstrip(".") if out else ""
    return ending if ending in ("csv", "json") else "table"
