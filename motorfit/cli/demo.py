"""motorfit demo: the whole job on an invented machine."""

from __future__ import annotations

import json
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

import click

from motorfit.cli.fit import Outcome, Wish, content_of, fit_one
from motorfit.errors import OutputError

if TYPE_CHECKING:
    from motorfit.profile.model import MachineProfile

SCENARIO = """\
An invented scenario: the motor of a scrapped parcel conveyor is to become the
hand-cranked generator of the lamps in a school's shed. It has no data sheet,
only a label: 24 V, 250 W. Somebody turned it with a drill for an afternoon,
with two plain meters, a tachometer and three resistors, let it coast to rest,
and warmed it for an hour and a half with a steady current."""

INVENTED = """\
Machine, scenario and readings are invented; a computer made the readings.
For a motor of your own, begin with: motorfit sheets my-motor"""

#: Where the prediction is made: inside what the demo's bench tested.
SPEED_RPM, LOAD = 2000.0, 4.7


@click.command()
@click.argument(
    "folder",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path("motorfit-demo"),
    metavar="[DIR]",
)
@click.option("--force", is_flag=True, help="Write into a folder that has files already.")
@click.option("--json", "as_json", is_flag=True, help="Write the results as JSON, for programs.")
def demo(folder: Path, force: bool, as_json: bool) -> None:
    """Show the whole job on an invented machine, in DIR (default motorfit-demo).

    Writes a bench folder as somebody with a drill and two meters would have filled it,
    fits it, draws its figures, and predicts.

    \b
    Example:
      motorfit demo
      motorfit demo tryout
    """
    from motorfit.simulation.demo import write_demo

    if not force and folder.is_dir() and any(folder.iterdir()):
        raise OutputError(
            f"{folder} is there already and not empty: nothing was written. "
            "Choose another folder, or write into this one with --force."
        )
    write_demo(folder, force=force)
    outcome = fit_one(folder, Wish(figures=folder / "figures", force=force))
    if outcome.problem is not None:
        raise outcome.problem
    if as_json:
        click.echo(json.dumps(content_of(outcome), indent=2, ensure_ascii=False))
    else:
        click.echo(_told(folder, outcome))


def _told(folder: Path, outcome: Outcome) -> str:
    from motorfit.report.next_step import quoted
    from motorfit.report.screen import first_screen

    assert outcome.fit is not None
    shown = quoted(folder)
    figures = ", ".join(path.name for path in outcome.figures)
    return "\n".join(
        (
            SCENARIO,
            "",
            f"The filled sheets are in {folder}. What comes next was made by",
            f"  motorfit fit {shown} --figures {quoted(folder / 'figures')}",
            "",
            first_screen(outcome.fit, written=outcome.written),
            "",
            textwrap.fill(
                f"Figures in {folder / 'figures'}: {figures}", 80, break_on_hyphens=False
            ),
            "What will it do? Ask it:",
            f'  motorfit predict {shown} --speed "{SPEED_RPM:.0f} rpm" --load "{LOAD:g} ohm"',
            f"  {_prediction(outcome.fit.profile)}",
            "",
            INVENTED,
        )
    )


def _prediction(profile: MachineProfile) -> str:
    """Voltage and current at one operating point, in a line."""
    from motorfit.quantities import show_estimate
    from motorfit.unit_tables import RPM

    level = profile.provenance.level
    shown = []
    for prediction, unit, sign in (
        (profile.voltage(speed=SPEED_RPM * RPM, load=LOAD), "V", 1.0),
        (profile.current(speed=SPEED_RPM * RPM, load=LOAD), "A", -1.0),
    ):
        low, high = sorted(sign * float(end) for end in prediction.interval(level))
        shown.append(show_estimate(sign * float(prediction.value), (low, high), unit, level))
    return " and ".join(shown)
