"""motorfit predict: what a machine will do, over a grid of speeds and loads."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import TypeAlias

    from motorfit.profile.grid import Given
    from motorfit.profile.model import MachineProfile

    Callback: TypeAlias = Callable[[click.Context, click.Parameter, tuple[str, ...]], list[float]]

#: One revolution a minute. [rad/s]
RPM = math.pi / 30

#: More points than this in one grid are a slip of the keyboard.
MOST_POINTS = 2000

#: At most so many speeds, at round numbers, where none are asked for.
USUAL_SPEEDS = 6

_NUMBERS = re.compile(r"[\d.,:;\seE+-]*[\d.]")
_LIST_OR_DECIMAL = re.compile(r"[+-]?\d{1,2},\d{1,3}")


def grid(dimension: str, *, open_end: bool = False) -> Callback:
    """Make the reader of an option that may be given several times.

    It takes "4.7 ohm", "500, 1000 rpm", "500:3000:250 rpm" (first:last:step), and "open"
    where ``open_end`` is set, into one list in SI.
    """

    def read(_: click.Context, __: click.Parameter, texts: tuple[str, ...]) -> list[float]:
        return [value for text in texts for value in _read_grid(text, dimension, open_end)]

    return read


def temperature(_: click.Context, __: click.Parameter, text: str | None) -> float | None:
    """Read one temperature. [degC]"""
    return None if text is None else _read(text, "temperature")


def _read_grid(text: str, dimension: str, open_end: bool) -> list[float]:
    plain = text.strip()
    if open_end and plain.lower() == "open":
        return [math.inf]
    match = _NUMBERS.match(plain)
    numbers, unit = (match[0], plain[match.end() :]) if match else (plain, "")
    points = [_read(f"{number} {unit}", dimension) for number in _spread(numbers.strip())]
    if dimension != "voltage" and min(points) < 0:
        raise click.BadParameter(f"{text!r} goes below zero, which it cannot.")
    return points


def _read(text: str, dimension: str) -> float:
    from motorfit.quantities import UnreadableError, read_quantity

    try:
        return read_quantity(text, dimension).value
    except UnreadableError as error:
        raise click.BadParameter(str(error)) from None


def _spread(numbers: str) -> list[str]:
    """One number, a list of them, or first:last:step."""
    if ":" in numbers:
        return [f"{number:.12g}" for number in _steps(numbers)]
    if _LIST_OR_DECIMAL.fullmatch(numbers):
        left, right = numbers.split(",")
        raise click.BadParameter(
            f"{numbers!r} may be one number or two. Write {left}.{right}, or "
            f'"{left}, {right}" with a space.'
        )
    return [part for part in re.split(r"[,;]\s*", numbers) if part] or [numbers]


def _steps(text: str) -> list[float]:
    remedy = 'Write first:last:step, like "500:3000:250 rpm".'
    try:
        first, last, step = (float(part) for part in text.split(":"))
    except ValueError:
        raise click.BadParameter(f"{text!r} is not three numbers. {remedy}") from None
    count = (last - first) / step if step else math.inf
    if not 0 <= count < MOST_POINTS:
        raise click.BadParameter(
            f"{text!r} leads nowhere, or to more than {MOST_POINTS} points. {remedy}"
        )
    return [first + step * number for number in range(math.floor(count + 1e-9) + 1)]


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
@click.option(
    "--level",
    type=click.FloatRange(0.5, 0.999),
    default=0.95,
    show_default=True,
    help="Coverage of the intervals.",
)
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
