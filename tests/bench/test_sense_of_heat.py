"""Physical sense of heat runs: each slip is told in its place, a good one hears nothing."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from motorfit.bench.default_instruments import with_defaults
from motorfit.bench.plausibility import check_plausibility
from motorfit.bench.records import Run
from motorfit.bench.settings import HeatRunTable, MachineTable, Settings

TIME = np.arange(0.0, 3601.0, 300.0)
WARMING = 3.0 + 0.6 * (1.0 - np.exp(-TIME / 900.0))  # [V], at 4 A


def heat_run(**columns: np.ndarray) -> Run:
    """A sheet of an hour, every five minutes."""
    readings = {"time": TIME, "current": np.full(len(TIME), 4.0), "voltage": WARMING} | columns
    readings = {name: values for name, values in readings.items() if values is not None}
    count = len(readings["time"])
    return Run(
        kind="heat-run",
        source=Path("heat-run.csv"),
        rows=np.arange(2, count + 2),
        readings=readings,
        written_step=dict.fromkeys(readings, 0.01),
        setting=("",) * count,
        direction=("",) * count,
        note=("",) * count,
    )


def told(run: Run, rotor: str = "held") -> dict[str, str]:
    """Kinds of the findings that are about the heat run, with place and words."""
    settings = Settings(machine=MachineTable(name="lamp"), heat_run=HeatRunTable(rotor=rotor))
    found = check_plausibility([run], settings, with_defaults({}))
    return {one.kind: f"{one.where} {one.says}" for one in found if "heat-run" in one.kind}


def test_a_good_heat_run_hears_nothing():
    assert told(heat_run()) == {}
    assert told(heat_run(speed=np.full(len(TIME), 100.0)), "turning") == {}


def test_cooling_readings_below_are_no_slip():
    time = np.concatenate([TIME, 3600.0 + np.array([20.0, 40.0, 60.0, 80.0])])
    current = np.concatenate([np.full(len(TIME), 4.0), np.full(4, 0.5)])
    voltage = np.concatenate([WARMING, [0.45, 0.44, 0.43, 0.42]])
    assert told(heat_run(time=time, current=current, voltage=voltage)) == {}


def test_a_heat_run_that_cools_is_told_with_its_row():
    found = told(heat_run(voltage=WARMING[::-1].copy()))
    assert set(found) == {"heat-run-cools"}
    assert found["heat-run-cools"].startswith("heat-run.csv:14 ")
    # medians of the first and the last four of the thirteen, over 4 A
    first, last = np.median(WARMING[-4:]) / 4, np.median(WARMING[:4]) / 4
    assert f"fell from {first:.4g} to {last:.4g} ohm over 60 min" in found["heat-run-cools"]
    assert "(until row 14)" in found["heat-run-cools"]


def test_a_thermometer_that_falls_is_told():
    """Medians of the first and the last four of thirteen from 70 down to 30 degC."""
    winding = np.linspace(70.0, 30.0, len(TIME))
    assert (
        "fell from 65 to 35 degC" in told(heat_run(voltage=None, winding=winding))["heat-run-cools"]
    )


def test_a_current_turned_down_is_not_taken_for_cooling():
    current = np.linspace(4.0, 3.0, len(TIME))
    assert "heat-run-cools" not in told(heat_run(current=current, voltage=WARMING[::-1] * 0.9))


def test_no_current_at_all_is_told():
    found = told(heat_run(current=np.zeros(len(TIME))))
    assert "zero in all 13 readings" in found["heat-run-without-current"]


@pytest.mark.parametrize("speed", [None, "blank in one row"])
def test_a_turning_heat_run_needs_its_speed(speed):
    column = None
    if speed:
        column = np.full(len(TIME), 100.0)
        column[5] = np.nan
    found = told(heat_run(speed=column), "turning")["heat-run-without-speed"]
    if speed:
        assert found.startswith("heat-run.csv:7 ")
        assert "the speed is blank in row 7" in found
    else:
        assert found.startswith("heat-run.csv ")
        assert "the sheet has no speed" in found


def test_minutes_written_under_seconds_are_suspected():
    found = told(heat_run(time=np.arange(13.0)))
    assert "flowed for 12 s" in found["heat-run-too-short"]
