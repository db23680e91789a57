"""The first screen: what it says of each kind of bench, and that it always fits.

Expected words and numbers are those stated in `hand_made_fits`, converted by hand where
a comment says so.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hand_made_fits import (
    FINDINGS,
    LONG_NAME,
    MEASURED,
    VARIANTS,
    at_bound,
    drill,
    driven,
    lathe,
    long_name,
    measured,
    one_reading,
    one_resistor,
    put_together,
    quick,
    resistance_only,
)

from motorfit.bench.records import ExcludedRow
from motorfit.estimate import NotKnown
from motorfit.estimation.result import WidthShare
from motorfit.finding import Finding
from motorfit.report.changes import changes_between
from motorfit.report.screen import (
    chosen_findings,
    first_screen,
    reading_cautions,
    who_decides,
)

PROFILE = Path("blue-tag/profile.json")


def line_with(screen: str, start: str) -> str:
    """The line that begins with some text."""
    return next(line for line in screen.splitlines() if line.lstrip().startswith(start))


@pytest.mark.parametrize("made", VARIANTS.values(), ids=VARIANTS)
def test_screen_fits_a_small_terminal_in_plain_characters(made):
    """25 lines of 80 columns is what the smallest usual terminal has."""
    screen = first_screen(made(), written=PROFILE)

    assert len(screen.splitlines()) <= 25
    assert max(map(len, screen.splitlines())) <= 80
    assert screen.isascii()


def crowded():
    """Everything at once: long names, many files, findings, dangers and defaults."""
    rng = np.random.default_rng(3)
    runs = tuple(
        driven("load", f"load-{word}-and-a-rather-long-name.csv", (1000, 2000), (1.0, 4.7), rng)
        for word in ("first", "second", "third", "fourth", "fifth")
    )
    dangerous = [
        replace(
            run,
            readings=dict(run.readings, voltage=run.get("voltage") * 10),
        )
        for run in runs
    ]
    many = tuple(
        Finding(kind="slip", where=f"load.csv:{row}", says="word " * 60, suggestion="more " * 20)
        for row in range(9)
    )
    fit = put_together(
        tuple(dangerous),
        MEASURED,
        name=LONG_NAME * 3,
        findings=many,
        combinations=(*one_resistor().profile.combinations, *lathe().profile.combinations),
        unused=("heat-run.csv: read, not used yet", "coast-down.csv: read, not used yet") * 3,
        assumed=("a default that takes some words to be told",) * 12,
    )
    for run in dangerous:
        run.readings["current"][:] *= 4
    return fit


def test_screen_of_a_crowded_bench_fits_all_the_same():
    fit = crowded()
    changes = changes_between(at_bound().profile, fit.profile)
    place = Path("/a/rather/deep/folder" * 6) / "profile.json"

    screen = first_screen(fit, written=place, changes=changes)

    assert len(screen.splitlines()) <= 25
    assert max(map(len, screen.splitlines())) <= 80


def test_crowded_screen_keeps_the_cautions_and_the_next_command():
    screen = first_screen(crowded(), written=PROFILE)

    assert "Above 50 V" in screen
    assert "amps jack" in screen
    assert "motorfit predict blue-tag" in screen


def test_parts_come_in_the_order_in_which_they_are_asked_for():
    screen = first_screen(measured(), written=PROFILE)

    parts = (
        *("conveyor motor", "Made from", "Answers", "Numbers", "Findings", "Caution"),
        *("Limited by", "Would help", "Written", "Next"),
    )
    places = [screen.index(part) for part in parts]
    assert places == sorted(places)


def test_numbers_are_shown_in_the_units_of_the_trade():
    """0.0551 V s/rad is 0.0551 * 1000 pi/30 = 5.770 V per 1000 rpm, and 30/(0.0551 pi) rpm/V.

    Half-width of the interval: 2 * 0.0551 * hypot(0.0006, 0.0016), so 0.0197 of 5.770.
    """
    screen = first_screen(measured(), written=PROFILE)

    constant = line_with(screen, "volts per 1000 rpm")
    assert "5.770 V" in constant
    assert "5.750 to 5.790 V" in constant
    assert constant.endswith("measured")
    assert "= 173.3 rpm/V = 0.05510 V s/rad = 0.05510 N m/A" in screen
    assert "0.85 ohm" in line_with(screen, "winding at 25 degC")
    # 1500 rpm is 157.08 rad/s: (0.04 + 8e-5 * 157.08) * 157.08 = 8.26 W
    assert "8.3 W" in line_with(screen, "turning loss, 1500 rpm")


def test_level_of_the_intervals_is_named():
    assert "90 % interval" in first_screen(replace(measured(), level=0.9))


def test_what_was_not_measured_names_the_test_that_would():
    screen = first_screen(quick())

    assert "not measured; it takes: no-load-motor" in line_with(screen, "turning loss")


def test_loss_known_at_one_speed_says_so():
    assert line_with(first_screen(lathe()), "turning loss").endswith("this speed only")


def test_loss_is_of_one_speed_only_where_its_parts_are_not_known():
    """A fit measures the loss at that speed; what it does not know is how it is made up."""
    fit = lathe()
    measured_there = replace(fit.loss, power=replace(fit.loss.power, standing="measured"))
    screen = first_screen(replace(fit, loss=measured_there))

    assert "this speed only" in line_with(screen, "turning loss")


def test_combination_is_shown_where_its_parts_are_not_known():
    """0.00993 A s/rad is 0.00993 * 1000 pi/30 = 1.040 A per 1000 rpm."""
    screen = first_screen(one_resistor())

    assert "not known alone" in line_with(screen, "volts per 1000 rpm")
    assert "1.040 A" in line_with(screen, "amps/1000 rpm, 4.7 ohm")
    assert "To tell them apart it takes: open-circuit, or load with a second resistor" in screen


def test_volts_less_brushes_are_shown_per_1000_rpm():
    """0.0498 V s/rad is 0.0498 * 1000 pi/30 = 5.215 V per 1000 rpm."""
    fit = one_resistor()
    less = replace(
        fit.profile.combinations[0],
        of="emf_constant - brush_drop/speed",
        at={"speed": 150.0},
        value=0.0498,
        unit="V.s/rad",
        interval=(0.0496, 0.0500),
    )
    fit = replace(fit, profile=replace(fit.profile, combinations=(less,)))

    row = line_with(first_screen(fit), "V/1000 rpm less brushes")
    assert "5.215 V" in row
    assert "5.194 to 5.236 V" in row


def test_a_long_label_keeps_apart_from_its_value_and_the_rest_in_their_columns():
    fit = one_resistor()
    at_once = replace(
        fit.profile.combinations[0],
        of="armature_resistance + brush_drop/current",
        at={"current": 0.174},
        value=3.5,
        unit="Ohm",
        interval=(1.8, 5.3),
    )
    fit = replace(fit, profile=replace(fit.profile, combinations=(at_once,)))

    screen = first_screen(fit)

    row = line_with(screen, "winding+brushes")
    assert "0.174 A 3.5 ohm " in row
    assert row.index("1.8 to 5.3") == line_with(screen, "Numbers").index("95 %")


def test_what_tells_parameters_apart_waits_for_a_slip():
    """Its scatter may be all that hides them: another test would be in vain."""
    slip = Finding(kind="outlier", where="load.csv:4", says="load.csv, row 4", severity="error")

    screen = first_screen(replace(one_resistor(), findings=(slip,)))

    assert "Settle the findings first" in screen
    assert "To tell them apart it takes" not in screen


def test_what_a_slip_hides_is_not_called_unmeasured():
    """The load test is there: to ask for one would be in vain."""
    fit = measured()
    slip = Finding(kind="outlier", where="load.csv:4", says="load.csv, row 4", severity="error")
    unmeasured = NotKnown(unit="Ohm", standing="unmeasured", needs="load")
    parameters = {**fit.profile.parameters, "armature_resistance": unmeasured}
    fit = replace(fit, profile=replace(fit.profile, parameters=parameters), findings=(slip,))

    assert "hidden by what does not fit" in line_with(first_screen(fit), "winding at")
    clean = replace(fit, findings=())
    assert "not measured; it takes: load" in line_with(first_screen(clean), "winding at")


def test_nothing_is_promised_below_where_no_combination_is_known():
    fit = one_resistor()
    fit = replace(fit, profile=replace(fit.profile, combinations=()))

    row = line_with(first_screen(fit), "volts per 1000 rpm")

    assert row.endswith("not known alone, only together with others")


def test_numbers_of_a_gears_shaft_say_so():
    fit = measured("gate opener")
    machine = replace(fit.profile.machine, shaft="gearbox output")
    fit = replace(fit, profile=replace(fit.profile, machine=machine))

    assert first_screen(fit).splitlines()[0] == "gate opener, at the gearbox output"


def test_value_at_its_bound_is_not_called_measured():
    brush = line_with(first_screen(at_bound()), "brush drop")

    assert "0.00 to 0.40 V" in brush
    assert brush.endswith("at its bound")


def test_long_name_is_cut_to_its_line():
    first = first_screen(long_name()).splitlines()[0]

    assert len(first) <= 80
    assert first.endswith("...")


def test_name_cannot_send_commands_to_the_terminal():
    """A name with an escape sequence and a line end stays text on one line."""
    screen = first_screen(measured("blue\x1b[31m\ntag"))

    assert "\x1b" not in screen
    assert screen.splitlines()[0] == "blue [31m tag"


def test_clean_readings_are_called_good():
    """One hand-made reading, no finding at all."""
    assert "Good: nothing odd in 1 reading." in first_screen(one_reading())


def test_readings_with_a_caution_are_not_called_good():
    caution = replace(FINDINGS[0], severity="caution")

    assert "nothing odd" not in first_screen(replace(measured(), findings=(caution,)))


def test_at_most_three_findings_most_damaging_first_good_news_last():
    """Of the hand-made ones: cautions of damage 3 and 2, then the note, and the good one last."""
    chosen = chosen_findings(FINDINGS)

    assert [one.kind for one in chosen] == ["outlier", "speed-not-checked", "one-direction"]


def test_findings_that_do_not_fit_are_counted():
    """Two cautions and a note, of which the cautions have room on this screen."""
    assert "Findings 2/3" in first_screen(measured(), written=PROFILE)


def test_finding_that_is_shortened_keeps_what_to_do():
    """Its second sentence goes first, not the suggestion."""
    long = Finding(
        kind="slip",
        where="bench",
        says="One slip. " + "Told at length. " * 40,
        suggestion="Mend it.",
    )

    assert "One slip. Mend it." in first_screen(replace(measured(), findings=(long,)))


def test_notes_are_cut_before_what_to_do_about_an_error():
    grave = Finding(
        kind="voltage-current-mixed",
        where="load.csv",
        says="Voltage and current seem to stand in each other's column: voltage over current is "
        "0.156 ohm and current over voltage 7.39, where the load is 7.35 ohm.",
        suggestion="Look at the headers, and swap them if so.",
        severity="error",
    )
    note = Finding(
        kind="speed-not-checked",
        where="machine.toml",
        says=f"Nothing says that the speed meter was compared with a count. {'Really. ' * 30}",
        severity="note",
    )

    screen = " ".join(first_screen(replace(drill(), findings=(grave, note))).split())

    assert "Look at the headers, and swap them if so. - machine.toml: Nothing says" in screen


def test_meters_that_were_assumed_come_before_other_defaults():
    fit = quick()
    assumed = ("winding of copper", "magnets unknown", *fit.bench.assumed)
    fit = replace(fit, bench=replace(fit.bench, assumed=assumed))

    assert line_with(first_screen(fit), "Assumed").startswith("Assumed      voltage: nobody stated")


def test_reading_above_50_volts_brings_its_caution():
    fit = resistance_only()
    fit.bench.runs[0].readings["voltage"][0] = 62.0

    assert "Above 50 V" in first_screen(fit)


def test_resistor_without_an_ammeter_brings_the_caution_of_its_heat():
    """20 V on 2 ohm are 200 W and 10 A, whether or not somebody measured the current."""
    fit = measured()
    runs = tuple(
        replace(
            run,
            readings={
                "speed": run.get("speed"),
                "voltage": np.full(len(run), 21.0),
                "load": np.full(len(run), 2.0),
            },
        )
        for run in fit.bench.of_kind("load")
    )

    screen = first_screen(replace(fit, bench=replace(fit.bench, runs=runs)))

    assert "load resistor gets hot" in screen
    assert "amps jack" in screen


@pytest.mark.parametrize(
    ("volts", "ohms", "names"),
    [
        (3.3, 0.3, {"hot-resistor", "amps-jack"}),  # 36 W, 11 A
        (6.0, 1.0, {"hot-resistor"}),  # 36 W, 6 A
        (6.0, 60.0, set()),  # 0.6 W, 0.1 A
    ],
)
def test_cautions_go_by_the_watts_in_the_resistor_and_the_amps_through_it(volts, ohms, names):
    fit = measured()
    (load,) = fit.bench.of_kind("load")
    readings = {
        "speed": load.get("speed"),
        "voltage": np.full(len(load), volts),
        "load": np.full(len(load), ohms),
    }
    bench = replace(fit.bench, runs=(replace(load, readings=readings),))

    assert {one.name for one in reading_cautions(replace(fit, bench=bench))} == names


def test_next_command_takes_the_load_that_was_tested():
    """Nobody wrote the resistor down: 12 V at 2.5 A are 4.8 ohm."""
    fit = measured()
    (load,) = fit.bench.of_kind("load")
    readings = {
        "speed": load.get("speed"),
        "voltage": np.full(len(load), 12.0),
        "current": np.full(len(load), -2.5),
    }
    bench = replace(fit.bench, runs=(replace(load, readings=readings),))
    fit = replace(fit, bench=bench, findings=())

    assert '--load "4.8 ohm"' in line_with(first_screen(fit, written=PROFILE), "Next")


def test_rows_without_current_are_no_load_to_predict_with():
    """Nothing connected is no resistor, and no warning either: 12 V at 2.5 A are 4.8 ohm."""
    fit = measured()
    (load,) = fit.bench.of_kind("load")
    currents = np.where(np.arange(len(load)) == 0, 0.0, -2.5)
    readings = {
        "speed": load.get("speed"),
        "voltage": np.full(len(load), 12.0),
        "current": currents,
    }
    bench = replace(fit.bench, runs=(replace(load, readings=readings),))
    fit = replace(fit, bench=bench, findings=())

    assert '--load "4.8 ohm"' in line_with(first_screen(fit, written=PROFILE), "Next")


def test_harmless_readings_bring_no_caution():
    """3 V and 3 A into a held rotor, no resistor."""
    assert "Caution" not in first_screen(resistance_only())


def shares(**parts):
    """Shares of a variance by quantity; only scatter shrinks with more readings."""
    return tuple(
        WidthShare(cause=name, quantity=name, share=part, more_readings_help=name == "scatter")
        for name, part in parts.items()
    )


@pytest.mark.parametrize(
    ("parts", "says"),
    [
        ({"speed": 0.8, "scatter": 0.2}, "your rpm reading 80 %; repeats will not help"),
        ({"scatter": 0.7, "voltage": 0.3}, "scatter 70 %; repeats help"),
        (
            {"winding": 0.41, "current": 0.3, "scatter": 0.29},
            "its temperature 41 %, your ammeter 30 %; repeats help little",
        ),
    ],
)
def test_what_decides_the_width_is_said_with_what_repeats_would_do(parts, says):
    assert who_decides(shares(**parts)) == says


def test_two_ranges_of_one_meter_count_together():
    """0.45 and 0.35 of the variance are 80 % for the voltmeter."""
    halves = (*shares(voltage=0.45), *shares(scatter=0.2), *shares(voltage=0.35))

    assert who_decides(halves).startswith("your voltmeter 80 %")


def test_advice_comes_with_its_minutes():
    assert "Would help   two load readings near the largest current (5 min)" in first_screen(
        measured()
    )


def test_tests_that_were_read_and_not_used_are_named():
    assert "Read, not used yet: heat-run.csv" in first_screen(measured())


def test_several_tests_that_were_not_used_share_their_reason():
    unused = ("heat-run.csv: read, not used yet", "coast-down.csv: read, not used yet")

    screen = first_screen(replace(measured(), unused=unused))

    assert "Read, not used yet: heat-run.csv, coast-down.csv" in screen


def test_rows_marked_to_be_left_out_are_counted():
    fit = drill()
    run = replace(fit.bench.runs[0], excluded=(ExcludedRow(row=9, reason="belt slipped"),))
    fit = replace(fit, bench=replace(fit.bench, runs=(run,)))

    assert "1 row left out as marked" in first_screen(fit)
    two = (*run.excluded, ExcludedRow(row=11, reason="hot"))
    fit = replace(fit, bench=replace(fit.bench, runs=(replace(run, excluded=two), run)))
    assert "3 rows left out as marked" in first_screen(fit)


def test_next_command_stays_inside_what_was_tested():
    """The lathe ran at 1450 rpm at most: 1400 is the next round speed below."""
    screen = first_screen(lathe(), written=PROFILE)

    assert 'motorfit predict blue-tag --speed "1400 rpm"' in line_with(screen, "Next")


def test_next_command_stays_inside_the_few_rpm_of_a_gearbox():
    slow = lathe()
    slow = replace(
        slow,
        profile=replace(
            slow.profile, range=replace(slow.profile.range, speed=(0.0, 8.4 * np.pi / 30))
        ),
    )

    assert '--speed "8 rpm"' in line_with(first_screen(slow, written=PROFILE), "Next")


def test_next_command_asks_for_the_missing_test_where_nothing_can_be_predicted():
    next_line = line_with(first_screen(one_resistor(), written=PROFILE), "Next")

    assert next_line.endswith("motorfit sheets blue-tag --tests open-circuit")


def test_blank_sheet_of_the_missing_test_is_to_be_filled_in_and_not_written_again():
    """`motorfit sheets` refuses to write a sheet that is there."""
    fit = one_resistor()
    fit = replace(fit, bench=replace(fit.bench, not_filled_in=("Open circuit.csv",)))

    next_line = line_with(first_screen(fit, written=PROFILE), "Next")

    assert next_line.endswith("fill in Open circuit.csv, then motorfit fit blue-tag")


def test_sheet_that_lacks_rows_of_the_missing_test_is_to_be_added_to():
    fit = one_resistor()
    fit = replace(fit, advice=(replace(fit.advice[0], test="load"),))

    next_line = line_with(first_screen(fit, written=PROFILE), "Next")

    assert next_line.endswith("add such rows to load.csv, then motorfit fit blue-tag")


def test_next_command_of_a_long_path_leaves_out_options_and_keeps_the_path():
    far = Path("class/group-7/tuesday/measured-again/red-profile.json")

    next_line = line_with(first_screen(quick(), written=far), "Next")

    assert next_line.endswith(f"motorfit predict {far}")
    assert len(next_line) <= 80


def test_profile_beside_a_table_is_named_as_it_is():
    next_line = line_with(first_screen(quick(), written=Path("red-profile.json")), "Next")

    assert "motorfit predict red-profile.json" in next_line


def test_path_with_a_space_is_quoted_in_the_command():
    next_line = line_with(first_screen(lathe(), written=Path("blue tag/profile.json")), "Next")

    assert "predict 'blue tag'" in next_line or 'predict "blue tag"' in next_line


def test_reason_stands_where_nothing_was_written():
    screen = first_screen(measured(), written="nowhere: the disk is full")

    assert "Written      nowhere: the disk is full" in screen
    assert "Next" not in screen
