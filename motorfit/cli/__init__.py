"""The command line: one group of lazily loaded, thin commands."""

from __future__ import annotations

from motorfit.cli.group import CommandGroup

COMMANDS = {
    "demo": ("motorfit.cli.demo", "Show the whole job on an invented machine."),
    "sheets": ("motorfit.cli.sheets", "Write blank logging sheets for the bench."),
    "fit": ("motorfit.cli.fit", "Fit a machine to bench readings."),
    "predict": ("motorfit.cli.predict", "Predict voltage, current, torque and power."),
    "simulate": ("motorfit.cli.simulate", "Make the readings of an invented machine."),
}

main = CommandGroup(COMMANDS)
