"""Physical sense before any fit: each slip is found, and a clean bench hears nothing."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from motorfit.bench.kinds import KINDS
from motorfit.bench.plausibility import check_plausibility
from motorfit.bench.records import Run
from motorfit.bench.settings import MachineTable, Settings, SpeedTable
from motorfit.machine.brushed import BrushedMachine
from motorfit.meter import Accuracy, Instrument
from motorfit.simulation.bench import simulate
from motorfit.simulation.demo import demo_bench
from motorfit.simulation.mistakes import plant_mistake
from motorfit.simulation.plan import BenchPlan, usual_plan

RPM = 2 * np.pi / 60
CHECKED = SpeedTable(checked="30 turns counted")

#: 1 % for every meter, 5 % for the resistors.
METERS = {
    (quantity, ""): Instrument(
        quantity=quantity, id=quantity, accuracy=Accuracy(relative=relative, digits=digits)
    )
    for quantity, relative, digits in (
        ("voltage", 0.01, 2),
        ("current", 0.01, 2),
        ("speed", 0.01, 1),
        ("load", 0.05, 0),
        ("torque", 0.02, 1),
    )
}


def sheet(kind, *, extra=None, direction=None, **columns):
    """A run as a sheet would hold it: speed in rpm, magnitudes, two decimals."""
    count = len(next(iter(columns.values())))
    readings = {}
    for name, values in columns.items():
        sign = -1.0 if KINDS[kind].generating and name in ("current", "torque") else 1.0
        readings[name] = sign * np.array(values, float) * (RPM if name == "speed" else 1.0)
    return Run(
        kind=kind,
        source=Path(f"{kind}.csv"),
        rows=np.arange(2, count + 2),
        readings=readings,
        extra=extra or {},
        written_step=dict.fromkeys(columns, 0.01),
        setting=("",) * count,
        direction=tuple(direction or ("",) * count),
        note=("",) * count,
    )


def findings(*runs, machine=None, speed=CHECKED, claims=None, meters=METERS):
    told = Settings(machine=machine or MachineTable(name="x"), speed=speed, claims=claims or {})
    return check_plausibility(runs, told, meters)


def kinds(*runs, **changes):
    return [finding.kind for finding in findings(*runs, **changes)]


#: 0.1 V s/rad, 1 ohm: worked by hand, 10.47 V per 1000 rpm.
OPEN = {"speed": [500, 1000, 1500, 2000], "voltage": [5.24, 10.47, 15.71, 20.94]}
LOADED = {
    "speed": [1000, 2000, 1000, 2000],
    "voltage": [8.38, 16.76, 9.52, 19.04],
    "current": [2.09, 4.19, 0.95, 1.90],
    "load": [4.0, 4.0, 10.0, 10.0],
}
FREE = {"speed": [540, 1110, 2255], "voltage": [6.0, 12.0, 24.0], "current": [0.35, 0.37, 0.39]}


def open_circuit(**changes):
    return sheet("open-circuit", **(OPEN | changes))


def load(**changes):
    return sheet("load", **(LOADED | changes))


def free(**changes):
    return sheet("no-load-motor", **(FREE | changes))


def test_clean_sheets():
    assert kinds(open_circuit(), load(), free()) == []


@settings(max_examples=120)
@given(
    seed=st.integers(0, 2**32 - 1),
    k=st.floats(0.003, 3.0),
    resistance=st.floats(0.02, 20.0),
    drop=st.floats(0.0, 2.0),
    no_load=st.floats(0.02, 0.5),
    viscous=st.floats(0.0, 2e-3),
    brake=st.booleans(),
)
# torques of 0, 0 and 1 mN m on a sensor of 1 mN m: rounding alone makes a slope
@example(seed=31779, k=0.003, resistance=13.0, drop=0.0, no_load=0.0625, viscous=0.0, brake=True)
def test_clean_benches_hear_nothing(seed, k, resistance, drop, no_load, viscous, brake):
    """Machines from 0.3 to 300 V per 1000 rpm, with a label that is 10 % off, two ways.

    The no-load current is a share of what 30 V would drive through the resistance.
    """
    share = no_load * min(1.0, 5.0 / resistance)
    machine = BrushedMachine(
        emf_constant=k,
        armature_resistance=resistance,
        brush_drop=drop,
        coulomb_torque=k * share,
        viscous_coefficient=viscous * k * share,
    )
    plan = usual_plan(machine)
    if brake:
        torques = k * np.array([0.1, 0.3, 0.5]) * min(20.0 / resistance, 10.0)
        plan = replace(plan, brake_torques=tuple(torques), brake_voltage=30.0)
    try:
        bench = simulate(machine, plan=plan, seed=seed)
    except ValueError:
        assume(False)
    claims = {"emf_constant": f"{1.1 * k} V s/rad"}
    if seed % 2:
        claims = {"rated_voltage": "30 V", "no_load_speed": f"{1.05 * 30 / k / RPM} rpm"}
    told = bench.settings.model_copy(update={"speed": CHECKED, "claims": claims})
    assert check_plausibility(bench.runs, told, bench.instruments) == ()


def test_negative_resistance():
    run = sheet("resistance", voltage=[1.2, -2.4, 3.6], current=[1.0, 2.0, 3.0])
    (finding,) = findings(run)
    assert (finding.kind, finding.where) == ("negative-resistance", "resistance.csv:3")
    assert "-1.2 ohm in row 3" in finding.says
    assert "Swap the probes" in finding.suggestion


def test_both_probes_swapped_is_no_negative_resistance():
    run = sheet("resistance", voltage=[-1.2, -2.4], current=[-1.0, -2.0])
    assert kinds(run) == []


def test_offset_around_zero_is_no_negative_resistance():
    """2 digits of 0.01 A are within the meter's accuracy."""
    assert kinds(sheet("resistance", voltage=[1.2, 0.02], current=[1.0, -0.02])) == []


def test_voltage_that_falls_with_speed():
    (finding,) = findings(open_circuit(voltage=OPEN["voltage"][::-1]))
    assert (finding.kind, finding.where) == ("voltage-falls-with-speed", "open-circuit.csv")
    assert "rank correlation -1.00 over 4 rows" in finding.says


def test_one_speed_says_nothing_about_rising():
    run = sheet(
        "open-circuit", speed=[1000, 1001, 1002, 1003], voltage=[10.50, 10.49, 10.47, 10.45]
    )
    assert kinds(run) == []


@pytest.mark.parametrize(
    ("header", "factor", "says"),
    [
        ("speed (rad/s)", 60 / (2 * np.pi), "as between rpm and rad/s"),
        ("speed (Hz)", 60.0, "per minute and per second"),
        ("speed (rps)", 1 / 60.0, "per minute and per second"),
        ("speed (rad/s)", 2 * np.pi, "as between radians and revolutions per second"),
        ("speed (rad/s)", 1.4, "1.4 times"),
    ],
)
def test_two_speed_columns_that_disagree(header, factor, says):
    right = open_circuit()
    run = replace(right, extra={header: factor * right.get("speed")})
    (finding,) = findings(run)
    assert finding.kind == "speed-columns-disagree"
    assert says in finding.says


def test_two_speed_columns_that_agree():
    right = open_circuit()
    assert kinds(replace(right, extra={"speed (rad/s)": 1.02 * right.get("speed")})) == []


def test_second_voltage_column_is_no_speed():
    assert kinds(replace(open_circuit(), extra={"voltage (mV)": np.ones(4)})) == []


def test_load_row_that_disagrees_with_its_resistor():
    """16.76 V and 4.19 A are 4 ohm, where 10 is written."""
    (finding,) = findings(open_circuit(), load(load=[4.0, 10.0, 10.0, 10.0]))
    assert (finding.kind, finding.where) == ("load-disagrees", "load.csv:3")
    assert "4 ohm where the load is given as 10 ohm (row 3)" in finding.says


@pytest.mark.parametrize(("off", "found"), [(1.08, False), (0.93, False), (1.25, True)])
def test_tolerance_of_the_resistor_is_allowed(off, found):
    """5 % resistor, 1 % and some digits of each meter, and something for warmth."""
    current = [off * value for value in LOADED["current"]]
    assert (kinds(open_circuit(), load(current=current)) != []) is found


def test_burden_of_the_ammeter_is_allowed_for():
    """Across 0.2 ohm of burden and 1 ohm, v/i is 1.2 ohm."""
    with_burden = METERS | {("current", ""): replace(METERS["current", ""], burden=0.2)}
    run = sheet("load", speed=[1000], voltage=[5.71], current=[4.76], load=[1.0])
    assert kinds(run, meters=with_burden) == []
    assert kinds(run) == ["load-disagrees"]


def test_columns_of_a_load_sheet_mixed_up():
    swapped = load(voltage=LOADED["current"], current=LOADED["voltage"])
    (finding,) = findings(swapped)
    assert (finding.kind, finding.severity) == ("voltage-current-mixed", "error")
    assert "Look at the headers" in finding.suggestion


def test_one_ohm_cannot_tell_which_is_which():
    run = sheet("load", speed=[1000], voltage=[5.1], current=[5.0], load=[1.0])
    assert kinds(run) == []


def test_columns_of_a_no_load_sheet_mixed_up():
    swapped = free(voltage=FREE["current"], current=FREE["voltage"])
    (finding,) = findings(swapped)
    assert finding.kind == "voltage-current-mixed"
    assert "(12 A) is larger than the voltage (0.37 V)" in finding.says


def test_starter_motor_really_takes_more_amps_than_volts():
    """Some 60 A at 12 V, running free: the current hardly follows the speed."""
    run = sheet("no-load-motor", speed=[3000, 6500], voltage=[6.0, 12.0], current=[55.0, 60.0])
    assert kinds(run) == []


def test_more_voltage_under_load_than_without():
    """13 V at 1000 rpm, where 10.47 V are all there is."""
    run = load(voltage=[13.0, 16.76, 9.52, 19.04], load=[6.2, 4.0, 10.0, 10.0])
    (finding,) = findings(open_circuit(), run)
    assert (finding.kind, finding.where) == ("load-above-open-circuit", "load.csv:2")
    assert "1.24 times" in finding.says


def test_almost_no_voltage():
    (finding,) = findings(open_circuit(voltage=[0.02, 0.03, 0.03, 0.04]))
    assert finding.kind == "almost-no-voltage"
    assert "0.04 V at most, at up to 2000 rpm" in finding.says
    assert "no permanent magnets" in finding.suggestion


def test_speed_and_voltage_in_each_others_column():
    """5.24 V at 500 rpm, exchanged, are 95 V for one rpm; a gear of 500 before it gives 5 V."""
    exchanged = open_circuit(
        speed=[volts * np.pi / 30 for volts in OPEN["voltage"]],
        voltage=[speed * 30 / np.pi for speed in OPEN["speed"]],
    )
    geared = open_circuit(speed=[speed / 500 for speed in OPEN["speed"]])

    (finding,) = findings(exchanged)
    assert finding.kind == "too-much-voltage"
    assert "each other's column" in finding.suggestion
    assert findings(geared) == ()


@pytest.mark.parametrize(
    "claims",
    [
        {"emf_constant": "10.47 V/1000 rpm"},
        {"torque_constant": "0.1 N m/A"},
        {"speed_constant": "95.5 rpm/V"},
        {"rated_voltage": "24 V", "no_load_speed": "2200 rpm"},
        {"rated_voltage": "24 V", "rated_speed": "1900 rpm"},
    ],
)
@pytest.mark.parametrize(("factor", "name"), [(2.0, "1/2"), (0.5, "2"), (1 / 3, "3"), (1.0, None)])
def test_speeds_off_the_label_by_a_whole_factor(claims, factor, name):
    """k is 0.1 V s/rad; speeds counted ``factor`` times make it as much smaller."""
    run = open_circuit(speed=[factor * speed for speed in OPEN["speed"]])
    found = findings(run, claims=claims)
    if name is None:
        assert found == ()
    else:
        (finding,) = found
        assert finding.kind == "constant-off-label"
        assert f"near {name}, " in finding.says
        assert "Count turns by hand" in finding.suggestion


@pytest.mark.parametrize("constant", ["40 V/1000 rpm", "2 V/1000 rpm"])
def test_label_of_another_machine_is_noted(constant):
    """0.1 V s/rad is 10.5 V per 1000 rpm: 0.26 and 5.2 times, no count of marks."""
    (finding,) = findings(open_circuit(), claims={"emf_constant": constant})

    ratio = 100 * np.pi / 30 / float(constant.split()[0])
    assert (finding.kind, finding.severity) == ("unlike-label", "note")
    assert f"{ratio:.2g} times the label's ({constant})" in finding.says


def test_label_that_cannot_be_read_says_nothing():
    claims = {"emf_constant": "strong", "speed_constant": "fast", "rated_voltage": "24 V"}
    assert kinds(open_circuit(), claims=claims) == []


def test_speeds_off_the_torque_by_a_whole_factor():
    """0.1 N m/A from the brake, and twice the speeds: 0.05 V s/rad."""
    brake = sheet(
        "brake",
        speed=[2 * 2000, 2 * 1700],
        voltage=[24.0, 24.0],
        current=[1.5, 5.0],
        torque=[0.11, 0.46],
    )
    doubled = open_circuit(speed=[2 * speed for speed in OPEN["speed"]])
    (finding,) = findings(doubled, brake)
    assert finding.kind == "constant-off-torque"
    assert "near 1/2" in finding.says
    assert kinds(open_circuit(), replace(brake, readings=brake.readings)) == []


def test_gear_taken_the_wrong_way():
    machine = MachineTable(name="x", gear=50.0, shaft="gearbox output")
    speed = SpeedTable(ratio=50.0, checked="yes")
    (finding,) = findings(open_circuit(), machine=machine, speed=speed)
    assert (finding.kind, finding.where) == ("gear-counted-twice", "machine.toml")
    assert "0.02 times that of the other" in finding.says


def test_gear_in_the_ratio_is_only_noted():
    machine = MachineTable(name="x", gear=50.0, shaft="motor")
    speed = SpeedTable(ratio=50.0, checked="yes")
    (finding,) = findings(open_circuit(), machine=machine, speed=speed)
    assert (finding.kind, finding.severity) == ("gear-in-speed-ratio", "note")


def test_constant_off_the_label_by_the_gear():
    """Speeds of the gearbox output, called the motor's: k is 50 times the label's."""
    slow = open_circuit(speed=[speed / 50 for speed in OPEN["speed"]])
    machine = MachineTable(name="x", gear=50.0)
    claims = {"emf_constant": "10.47 V/1000 rpm"}
    (finding,) = findings(slow, machine=machine, claims=claims)
    assert finding.kind == "gear-counted-twice"
    assert "50 times the label's" in finding.says


def test_gear_alone_is_no_finding():
    assert kinds(open_circuit(), machine=MachineTable(name="x", gear=50.0)) == []


def test_speed_meter_that_nobody_checked():
    (finding,) = findings(open_circuit(), speed=SpeedTable())
    assert (finding.kind, finding.severity) == ("speed-not-checked", "note")


def test_no_speed_no_question_about_it():
    run = sheet("resistance", voltage=[1.2], current=[1.0])
    assert kinds(run, speed=SpeedTable()) == []


def test_mixed_signs():
    (finding,) = findings(open_circuit(voltage=[5.24, -10.47, 15.71, 20.94]))
    assert (finding.kind, finding.where) == ("mixed-signs", "open-circuit.csv:3")
    assert "1 of 4 readings of voltage have the other sign (row 3)" in finding.says


def test_other_sign_in_the_other_direction_is_right():
    run = open_circuit(voltage=[5.24, 10.47, -15.71, -20.94])
    turned = replace(run, direction=("a", "a", "b", "b"))
    assert "mixed-signs" not in kinds(turned)


def test_zero_sheet_may_have_any_sign():
    assert kinds(sheet("zero", voltage=[-0.3, 0.3], current=[0.1, -0.1])) == []


def test_errors_stand_before_notes():
    found = findings(open_circuit(voltage=[0.09, 0.10, 0.12, -0.14]), speed=SpeedTable())
    assert [finding.severity for finding in found] == ["error", "caution", "note"]


@pytest.mark.parametrize(
    ("mistake", "kind"),
    [
        ("columns-swapped", "voltage-current-mixed"),
        ("wrong-resistor", "load-disagrees"),
        ("marks-counted-twice", "constant-off-label"),
    ],
)
@pytest.mark.parametrize("seed", range(3))
def test_planted_slips_are_found(mistake, kind, seed):
    bench, answer = plant_mistake(demo_bench(), mistake, seed=seed)
    found = check_plausibility(bench.runs, bench.settings, bench.instruments)
    assert kind in [finding.kind for finding in found]
    places = [finding.where for finding in found]
    assert any(place.startswith((answer.file, "bench")) for place in places)


def test_planted_sign_is_found_in_its_row():
    bench, answer = plant_mistake(demo_bench(), "sign", seed=0)
    (finding,) = check_plausibility(bench.runs, bench.settings, bench.instruments)
    assert finding.where == f"{answer.file}:{answer.rows[0]}"


def test_sheets_without_a_reading_in_a_column():
    """A blank column, one row, no rows at all: nothing to say, and nothing breaks."""
    blank = sheet("load", speed=[1000], voltage=[8.0], current=[np.nan], load=[4.0])
    assert kinds(blank) == []
    assert kinds(sheet("open-circuit", speed=[], voltage=[])) == []


def test_standstill_rows():
    """Speed 0 with the voltage it gives: no division by zero, no finding."""
    run = sheet("open-circuit", speed=[0, 1000, 2000, 2500], voltage=[0.0, 10.47, 20.9, 26.2])
    assert kinds(run, load(), claims={"emf_constant": "0.1 V s/rad"}) == []


def test_brake_plan_without_slip_hears_nothing():
    """Torque from a force at an arm goes the same way as torque."""
    machine = BrushedMachine(emf_constant=0.1, armature_resistance=1.0, coulomb_torque=0.03)
    plan = BenchPlan(open_circuit_speeds=(50.0, 100.0, 200.0), brake_torques=(0.1, 0.3, 0.6))
    bench = simulate(machine, plan=plan, seed=2)
    brake = bench.of_kind("brake")[0]
    readings = dict(brake.readings)
    readings["force"] = readings.pop("torque") / 0.2
    readings["arm"] = np.full(3, 0.2)
    by_force = replace(brake, readings=readings)
    told = bench.settings.model_copy(update={"speed": CHECKED})
    runs = [run for run in bench.runs if run is not brake]
    assert check_plausibility([*runs, by_force], told, bench.instruments) == ()
    halved = replace(by_force, readings=readings | {"force": readings["force"] / 2})
    found = check_plausibility([*runs, halved], told, bench.instruments)
    assert [finding.kind for finding in found] == ["constant-off-torque"]
