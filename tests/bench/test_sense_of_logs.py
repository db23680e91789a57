"""Logs of a coasting machine that make no sense, and those that do."""

import numpy as np
import pytest
from virtual_benches import SPEEDS, TRUE

import motorfit as mf
from motorfit.bench.folder import read_bench
from motorfit.bench.plausibility import check_plausibility
from motorfit.errors import BenchProblemsError
from motorfit.simulation.log_plans import CoastDownPlan, LogNoise
from motorfit.simulation.plan import BenchPlan

MACHINE = '[machine]\nname = "invented"\n[speed]\nchecked = "yes"\n'
OPEN = "speed (rpm),voltage (V)\n1000,8.0\n2000,16.0\n"
TIME = np.arange(0.0, 12.0, 0.25)
FALLING = 16.0 * (1.25 * np.exp(-TIME / 7.5) - 0.25)  # stands at 12 s


def sheet(time=TIME, volts=FALLING, header="time (s),voltage (V)", **more):
    columns = [header, *more]
    lines = [",".join(columns)]
    for place, (instant, volt) in enumerate(zip(time, volts, strict=True)):
        cells = [f"{instant:.6g}", f"{volt:.3f}", *(str(more[name][place]) for name in more)]
        lines.append(",".join(cells))
    return "\n".join(lines) + "\n"


def found(folder, open_circuit=OPEN, **sheets):
    (folder / "machine.toml").write_text(MACHINE)
    if open_circuit:
        (folder / "open-circuit.csv").write_text(open_circuit)
    for name, text in sheets.items():
        (folder / f"{name.replace('_', '-')}.csv").write_text(text)
    return read_bench(folder).findings


def one(findings, kind):
    (finding,) = [each for each in findings if each.kind == kind]
    return finding


def test_an_ordinary_pair_of_logs_is_no_finding(tmp_path):
    loaded = sheet(volts=FALLING[::3], time=TIME[::3] / 4, **{"load (ohm)": ["4.7"] * 16})
    assert found(tmp_path, coast_down=sheet(), coast_down_loaded=loaded) == ()


def test_noise_of_a_logger_is_no_finding():
    """Scatter that hangs together, hum, lag, spikes, gaps, the drive still on at first."""
    noise = LogNoise(
        correlation=0.9, scatter=0.02, mains=0.03, lag=0.2, spikes=0.01, uneven=0.3, gaps=2
    )
    for seed in range(10):
        plan = BenchPlan(
            open_circuit_speeds=SPEEDS,
            coast_downs=(
                CoastDownPlan(start_speed=210.0, noise=noise, engaged=1.0, idle=5.0, step=0.02),
                CoastDownPlan(start_speed=180.0, noise=noise, step=0.02),
                CoastDownPlan(start_speed=210.0, load=4.7, noise=noise, step=0.01),
            ),
        )
        bench = mf.simulate(TRUE, plan=plan, moment_of_inertia=4e-4, seed=seed)
        odd = check_plausibility(bench.runs, bench.settings, bench.instruments)
        assert {finding.kind for finding in odd} <= {"speed-not-checked"}


def test_a_coast_down_that_speeds_up_is_found_in_its_place(tmp_path):
    finding = one(found(tmp_path, coast_down=sheet(volts=FALLING[::-1])), "coast-down-speeds-up")

    assert finding.severity == "error"
    assert finding.where == "coast-down.csv:2"


def test_a_short_sheet_by_hand_that_speeds_up_is_found(tmp_path):
    rising = sheet(time=[0, 2, 4, 6], volts=[3.0, 6.0, 9.0, 12.0])

    assert one(found(tmp_path, coast_down=rising), "coast-down-speeds-up").severity == "error"


def test_a_drive_that_came_back_is_found_where_it_did(tmp_path):
    """Falls for 4 s and begins anew: row 2 + 16 is the first of the second run."""
    twice = np.concatenate([FALLING[:16], FALLING[:32]])
    finding = one(found(tmp_path, coast_down=sheet(volts=twice)), "coast-down-speeds-up")

    row = int(finding.where.rpartition(":")[2])
    assert abs(row - 18) <= 3  # medians of three readings each


@pytest.mark.parametrize("name", ["coast_down_loaded", "coast_down_4.7ohm", "coast_down_short"])
def test_a_loaded_run_without_its_resistance_is_found(tmp_path, name):
    finding = one(found(tmp_path, **{name: sheet()}), "loaded-without-resistance")

    assert finding.severity == "error"
    assert "load (ohm)" in finding.suggestion


@pytest.mark.parametrize("name", ["coast_down_open", "coast_down_unloaded", "coast_down_no_load"])
def test_a_run_said_to_be_open_is_believed(tmp_path, name):
    assert found(tmp_path, **{name: sheet()}) == ()


def test_a_note_tells_of_a_load_as_well(tmp_path):
    text = sheet(note=["on the 10 ohm resistor", *[""] * (len(TIME) - 1)])

    assert one(found(tmp_path, coast_down=text), "loaded-without-resistance")


def test_a_resistor_in_the_first_row_only_is_found(tmp_path):
    text = sheet(**{"load (ohm)": ["4.7", *[""] * (len(TIME) - 1)]})
    finding = one(found(tmp_path, coast_down=text), "load-blank-in-part")

    assert finding.where == "coast-down.csv:3"
    assert "1 of 48 rows" in finding.says


def test_a_dead_ammeter_is_noted(tmp_path):
    text = sheet(**{"current (A)": ["0.00"] * len(TIME)})

    assert one(found(tmp_path, coast_down=text), "coast-down-without-current").severity == "note"


def test_volts_without_any_speed_are_found(tmp_path):
    resistance = "voltage (V),current (A)\n1.0,1.0\n2.0,2.0\n"
    findings = found(tmp_path, open_circuit=None, coast_down=sheet(), resistance=resistance)

    assert "open-circuit.csv" in one(findings, "coast-down-without-speed").suggestion


@pytest.mark.parametrize(("factor", "says"), [(1000.0, "3.2 hours"), (0.001, "11.7 ms")])
def test_a_time_that_no_machine_takes_is_found(tmp_path, factor, says):
    """Twelve seconds written as milliseconds under a header in seconds, or the other way."""
    finding = one(found(tmp_path, coast_down=sheet(time=TIME * factor)), "time-unit")

    assert finding.severity == "error"
    hours_or_ms = finding.says.split("lasts ")[1].split(",")[0]
    value, unit = hours_or_ms.split()
    assert unit == says.split()[1]
    # medians of parts begin and end inside the log, and a twentieth is left before it stands
    assert float(value) == pytest.approx(float(says.split()[0]), rel=0.15)


def test_two_runs_a_thousand_times_apart_are_found(tmp_path):
    """Three seconds in milliseconds, 3000 s: no impossible time by itself."""
    short = sheet(time=TIME / 4)
    finding = one(
        found(tmp_path, coast_down=short, coast_down_2=sheet(time=TIME * 250)), "time-unit"
    )

    assert finding.where == "coast-down-2.csv"


def test_two_open_runs_that_differ_sevenfold_are_found(tmp_path):
    findings = found(tmp_path, coast_down=sheet(), coast_down_2=sheet(time=TIME / 7))

    assert one(findings, "coast-downs-unlike").where == "coast-down-2.csv"


def test_a_disc_on_the_shaft_makes_runs_differ(tmp_path):
    disc = "# added disc: 2 kg, 300 mm\n" + sheet()

    assert found(tmp_path, coast_down=sheet(time=TIME / 7), coast_down_2=disc) == ()


@pytest.mark.parametrize("load", ["0", "-10"])
def test_a_run_on_no_possible_resistor_is_refused_once(tmp_path, load):
    """A shorted machine shows no voltage; the value stands in every row."""
    with pytest.raises(BenchProblemsError, match=r"row 2, column .load \(ohm\).*resistor") as told:
        found(tmp_path, coast_down=sheet(**{"load (ohm)": [load] * len(TIME)}))

    assert len(told.value.problems) == 1


def test_another_resistor_further_down_is_found_in_its_place(tmp_path):
    """30 of 48 rows are on 10 ohm: row 32 is the first on 22 ohm."""
    loads = ["10"] * 30 + ["22"] * 18

    finding = one(found(tmp_path, coast_down=sheet(**{"load (ohm)": loads})), "load-changes")

    assert (finding.severity, finding.where) == ("error", "coast-down.csv:32")


def test_a_resistor_measured_again_is_no_other(tmp_path):
    loads = ["10.0", "10.1"] * (len(TIME) // 2)

    assert found(tmp_path, coast_down=sheet(**{"load (ohm)": loads})) == ()


@pytest.mark.parametrize(("ohm", "kinds"), [(10.0, set()), (22.0, {"load-disagrees"})])
def test_volts_over_amperes_of_a_log_are_its_resistor(tmp_path, ohm, kinds):
    """On 10 ohm; 22 ohm is far from what the meters' 3 % and the resistor's 5 % explain."""
    amperes = [f"{volts / 10.0:.3f}" for volts in FALLING]
    log = sheet(**{"current (A)": amperes, "load (ohm)": [f"{ohm:g}"] * len(TIME)})

    assert {each.kind for each in found(tmp_path, coast_down_loaded=log)} == kinds


def test_milliseconds_that_are_seconds_are_told_to_be_seconds(tmp_path):
    finding = one(found(tmp_path, coast_down=sheet(header="time (ms),voltage (V)")), "time-unit")

    assert "header time (s)" in finding.suggestion
