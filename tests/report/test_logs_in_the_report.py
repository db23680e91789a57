"""Coast-downs, heat runs and starting torques: screen, details, figures, JSON.

Expected words and numbers are those stated in `hand_made_logs`, converted by hand where a
comment says so.
"""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hand_made_fits import measured
from hand_made_logs import (
    WITH_LOGS,
    coast_down,
    long_log,
    many,
    open_only,
    pair,
    refused,
    starting,
    warming,
    with_logs,
)
from numpy.testing import assert_allclose

from motorfit.estimate import Estimate, NotKnown
from motorfit.quantities import Stated
from motorfit.report.content import fit_content
from motorfit.report.details import details
from motorfit.report.figure_style import figure_bytes
from motorfit.report.figures import figures, loss_figure, spin_down_figures, warm_up_figure
from motorfit.report.motion_numbers import inertia_rows
from motorfit.report.number_rows import number_row
from motorfit.report.screen import first_screen
from motorfit.report.thinning import MOST_DRAWN, some_of, thinned

PROFILE = Path("blue-tag/profile.json")


@pytest.mark.parametrize("made", WITH_LOGS.values(), ids=WITH_LOGS)
def test_screen_and_details_keep_their_widths(made):
    fit = made()
    screen, told = first_screen(fit, written=PROFILE), details(fit)

    assert len(screen.splitlines()) <= 25
    assert max(map(len, screen.splitlines())) <= 80
    assert max(map(len, told.splitlines())) <= 96
    assert (screen + told).isascii()


def test_an_inertia_that_no_reading_betters_is_told_as_stated():
    """The profile calls it assumed: on the screen it is told where it comes from."""
    profile = pair().profile
    known = replace(profile.parameters["moment_of_inertia"], standing="assumed")
    assumed = replace(profile, parameters={**profile.parameters, "moment_of_inertia": known})

    (told,) = inertia_rows(assumed, Stated(6e-4, 0.02 * 6e-4))
    (bettered,) = inertia_rows(profile, Stated(6e-4, 0.05 * 6e-4))

    assert told.endswith("as stated")
    assert bettered.endswith("measured")


def test_an_inertia_stated_without_any_doubt_is_shown_with_four_digits():
    exact = Estimate(
        value=8.5e-5,
        unit="kg.m2",
        standard_uncertainty=8.5e-11,
        from_scatter=8.5e-11,
        from_instruments=0.0,
        interval=(8.49998e-5, 8.50002e-5),
        level=0.95,
        degrees_of_freedom=np.inf,
        method="linear",
        standing="measured",
    )

    row = number_row("inertia", exact, factor=1e4, unit="kg cm2")

    assert " ".join(row.split()) == "inertia 0.8500 kg cm2 0.8500 to 0.8500 kg cm2 measured"


def test_a_fit_of_which_no_sheet_could_be_used_says_so():
    fit = replace(pair(), counts={}, coast_downs=(), heating=None)

    assert "Made from    nothing that could be used" in first_screen(fit, written=PROFILE)


@pytest.mark.parametrize("made", WITH_LOGS.values(), ids=WITH_LOGS)
def test_panels_are_labelled_and_nothing_lies_over_anything(made):
    for figure in figures(made()).values():
        figure.draw_without_rendering()  # settles the layout
        assert all(axes.get_ylabel().endswith(")") for axes in figure.axes)
        assert figure.axes[-1].get_xlabel().endswith(")")
        legend = figure.legends[0].get_window_extent()
        panels = [axes.get_tightbbox() for axes in figure.axes]
        assert not any(legend.overlaps(axes.get_window_extent()) for axes in figure.axes)
        assert not any(one.overlaps(figure._suptitle.get_window_extent()) for one in panels)
        assert legend.x1 <= figure.bbox.x1
        assert legend.y0 >= figure.bbox.y0
        apart = [axes.get_window_extent() for axes in figure.axes]
        assert not any(a.overlaps(b) for i, a in enumerate(apart) for b in apart[:i])


class TestScreen:
    def test_logs_are_counted_apart_from_readings(self):
        """3 open-circuit, 4 load and 2 no-load readings; two logs of 100 samples each."""
        screen = " ".join(first_screen(pair()).split())

        assert (
            "9 readings: 3 in open-circuit.csv, 4 in load.csv and 2 in no-load-motor.csv; "
            in screen
        )
        assert "2 coast-downs (200 samples)" in screen
        assert "nothing odd in 9 readings and 2 logs" in screen

    def test_samples_behind_means_are_counted(self):
        """5000 means of 1000 samples each."""
        assert "1 coast-down (5000000 samples)" in first_screen(long_log())

    def test_log_of_no_use_is_not_what_it_was_made_from(self):
        assert "1 coast-down (100 samples)" in " ".join(first_screen(refused()).split())

    def test_bench_without_logs_is_told_as_ever(self):
        assert "log" not in next(
            line for line in first_screen(measured()).splitlines() if "Made from" in line
        )

    def test_inertia_is_in_a_unit_of_rotors(self):
        """6e-4 kg m2 is 6 kg cm2; half-width 2 sqrt(2) %, so 0.17."""
        line = row_of(first_screen(pair()), "inertia")

        assert "6.00 kg cm2" in line
        assert "5.83 to 6.17 kg cm2" in line

    def test_small_inertia_is_in_a_small_unit(self):
        fit = with_logs([], {"moment_of_inertia": (2e-6, 0.01, 0.01)})

        assert "20.0 g cm2" in row_of(first_screen(fit), "inertia")

    def test_slowing_down_is_told_where_the_inertia_is_not_known(self):
        """51.7 rad/s2 is 493.7 rpm a second; 0.08 1/s is 80 rpm a second at 1000 rpm."""
        screen = first_screen(open_only())

        assert "494 rpm" in row_of(screen, "slows each second by")
        assert "80.0 rpm" in row_of(screen, "more per 1000 rpm")
        assert "Torque and inertia need: coast-down on a known resistor" in screen
        assert "together with others (below)" in row_of(screen, "turning loss")

    def test_amps_all_day_name_what_they_rest_on(self):
        fit = warming()
        current = fit.profile.continuous_current(ambient=40.0)
        screen = first_screen(fit)

        line = row_of(screen, "amps all day, 40 degC")
        assert f"{float(current.value):.1f} A" in line
        assert "at rest" in screen
        assert "class 105, magnets to 80 degC assumed" in screen

    def test_class_that_is_stated_is_not_called_assumed(self):
        fit = warming()
        constants = replace(fit.profile.constants, insulation="155", magnet="ferrite")
        screen = first_screen(replace(fit, profile=replace(fit.profile, constants=constants)))

        assert "; class 155" in screen
        assert "class 155 assumed" not in screen

    def test_spike_in_a_log_is_no_dangerous_voltage(self):
        """12 V and one sample of 300 V."""
        assert "Above 50 V" not in first_screen(pair())

    def test_further_log_goes_into_a_sheet_of_its_own(self):
        again = replace(open_only().advice[0], test="coast-down")
        screen = first_screen(replace(open_only(), advice=(again,)), written=PROFILE)

        assert "log another into coast-down-2.csv, then motorfit fit" in screen

    def test_torque_that_starts_it_has_its_row(self):
        fit = with_logs([], {"breakaway_torque": (0.052, 0.03, 0.0)})

        assert "0.052 N m" in row_of(first_screen(fit), "torque that starts it")

    def test_without_a_heat_run_there_are_no_amps(self):
        assert "amps all day, 40" not in first_screen(pair())


def row_of(text: str, start: str) -> str:
    return next(line for line in text.splitlines() if line.strip().startswith(start))


class TestDetails:
    def test_coast_down_tells_what_it_was_reduced_to(self):
        """77 of 100 readings count, worth 31.3 independent ones."""
        text = details(pair())
        what, how = (
            line.split()
            for line in text.splitlines()
            if line.startswith("coast-down-open.csv") and "leaves" not in line
        )

        assert what[1] == "open"
        assert what[-2:] == ["77", "31"]
        assert how[1:] == ["+0.42", "0.0071", "V", "+2.1", "%", "0.4"]

    def test_what_was_left_out_is_told_with_its_reason_and_row(self):
        text = " ".join(details(pair()).split())

        assert "10 readings (drive still engaged, from row 2)" in text
        assert "1 reading (spike, row 52)" in text
        assert "with a period of 160 ms" in text

    def test_coast_down_of_no_use_says_why(self):
        assert "coast-down-b.csv: not used; it speeds up" in details(refused())

    def test_friction_of_a_single_run_is_not_told(self):
        """There is no average that it could be off."""
        assert "+2.1 %" not in details(with_logs([coast_down("coast-down.csv")]))

    def test_watts_lost_are_split_at_several_speeds(self):
        """At 1000 rpm, 104.72 rad/s: 0.0402 * 104.72 = 4.21 W dry, 8.1e-5 w2 = 0.888 W viscous."""
        section = part_of(details(pair()), "Lost in turning")
        row = next(line for line in section.splitlines() if line.split()[:1] == ["1000"])

        assert "4.2 (" in row
        assert "0.89 (" in row
        assert " 5.1 " in row

    def test_heat_run_tells_its_constant_and_what_more_would_bring(self):
        text = " ".join(part_of(details(warming()), "Heat run").split())

        assert "rotor held, 4 A for 90 min" in text
        assert "K = 234.5 K (copper, IEEE and NEMA practice; IEC 60034-1 has 235)" in text
        assert "from +-8 % to +-4 %" in text
        assert "25.0 min" in text  # 1500 s
        assert "53.5 degC by the cooling carried back" in text

    def test_overloads_are_told_with_their_time(self):
        fit = warming()
        current = float(fit.profile.continuous_current(speed=0.0).value)
        seconds = float(fit.profile.overload_time(current=2 * current, speed=0.0).value)
        rows = part_of(details(fit), "Amps").splitlines()

        line = next(line for line in rows if line.startswith("2 times that"))
        assert float(line.split(" A ")[1].split()[0]) == pytest.approx(seconds / 60, rel=0.05)

    def test_without_a_time_constant_there_are_amps_and_no_overloads(self):
        fit = warming()
        lacking = NotKnown(unit="s", standing="unmeasured", needs="a longer heat-run")
        parameters = dict(fit.parameters) | {"thermal_time_constant": lacking}
        text = details(replace(fit, profile=replace(fit.profile, parameters=parameters)))

        assert "all day" in part_of(text, "Amps")
        assert "from cold" not in text

    def test_starting_torque_and_cogging(self):
        text = " ".join(details(starting()).split())

        assert "mean over the turn 0.052 N m" in text
        assert "largest 0.071 N m" in text
        assert "off the mean: 0.012 N m" in text
        assert "12 positions, 2 directions" in text

    def test_cogging_that_was_not_told_says_what_it_takes(self):
        fit = starting()
        assert fit.breakaway is not None
        fit = replace(fit, breakaway=replace(fit.breakaway, cogging=None))

        assert "cogging: not told from friction" in details(fit)

    def test_torque_constant_stands_against_the_emf_constant(self):
        assert "less the EMF constant: 1.2 % (-0.8 to 3.2); they agree" in details(starting())


def part_of(text: str, title: str) -> str:
    return text[text.index(f"\n{title}") :].split("\n\n")[0]


class TestFigures:
    def test_left_out_readings_have_shapes_and_colours_of_their_own(self):
        (figure,) = spin_down_figures(pair())
        looks = {
            line.get_label(): (line.get_color(), line.get_marker())
            for line in figure.axes[0].lines
            if line.get_marker() != "None"
        }

        assert set(looks) == {
            *("reading", "left out: drive still engaged", "left out: meter lag"),
            *("left out: spike", "left out: at a standstill"),
        }
        assert len({shape for _, shape in looks.values()}) == 5
        assert len({colour for colour, _ in looks.values()}) == 5

    def test_spike_of_300_volts_does_not_flatten_the_curve(self):
        """It is drawn at the upper edge of a panel that ends a little above 12 V."""
        (figure,) = spin_down_figures(pair())

        assert figure.axes[0].get_ylim()[1] < 14.0
        (spike,) = [one for one in figure.axes[0].lines if "spike" in str(one.get_label())]
        assert spike.get_ydata()[0] < figure.axes[0].get_ylim()[1]

    def test_residuals_lie_below_each_log(self):
        (figure,) = spin_down_figures(pair())

        assert len(figure.axes) == 4
        assert figure.axes[1].get_ylabel() == "read less\nfitted (V)"
        assert np.max(np.abs(figure.axes[1].lines[0].get_ydata())) < 0.011  # the ripple's 10 mV

    def test_logs_beyond_eight_go_into_a_second_figure(self):
        found = figures(many(10))

        assert "spin-down-2" in found
        assert [len(page.axes) for page in spin_down_figures(many(10))] == [16, 4]

    def test_long_log_is_not_drawn_point_by_point(self):
        """5000 readings: means of 17, of which there are fewer than 300."""
        (figure,) = spin_down_figures(long_log())

        drawn = [len(line.get_xdata()) for axes in figure.axes for line in axes.lines]
        assert max(drawn) <= MOST_DRAWN
        assert "reading,\nmeans of 17" in [
            text.get_text() for text in figure.legends[0].get_texts()
        ]
        assert len(figure_bytes(figure, "svg")) < 400_000

    def test_log_of_no_use_is_drawn_with_the_reason(self):
        (figure,) = spin_down_figures(refused())

        assert figure.axes[2].get_title(loc="left").endswith("not used: it speeds up")
        assert [one.get_label() for one in figure.axes[2].lines] == ["not used"]

    def test_rates_of_coast_downs_are_points_of_the_loss(self):
        """The fixture's torques, at its three speeds."""
        figure = loss_figure(pair())
        (points,) = [one for one in figure.axes[0].lines if "nothing" in str(one.get_label())]

        assert_allclose(points.get_ydata(), 1000 * (0.0402 + 8.1e-5 * np.array([181, 109, 36])))

    def test_power_is_split_into_its_parts(self):
        """At the end of the line, w: 0.0402 w dry and 8.1e-5 w2 viscous."""
        below = loss_figure(pair()).axes[1]
        speed = below.lines[0].get_xdata()[-1] * np.pi / 30
        ends = {str(one.get_label()): one.get_ydata()[-1] for one in below.lines}

        assert_allclose(ends["dry friction"], 0.0402 * speed)
        assert_allclose(ends["viscous and eddy loss"], 8.1e-5 * speed**2)

    def test_warm_up_is_carried_on_and_the_limit_is_named(self):
        """The curve goes on from 90 to 125 min; 40 + 55 K is the limit of class 105."""
        above = warm_up_figure(warming()).axes[0]
        (carried,) = [one for one in above.lines if one.get_label() == "carried on"]

        assert_allclose(carried.get_xdata()[[0, -1]], [90.0, 125.0], atol=2.1)
        texts = [text.get_text() for text in above.texts]
        assert "the winding may have 95 degC (class 105, assumed)" in texts
        assert "cooling" in [one.get_label() for one in above.lines]

    def test_the_same_fit_gives_the_same_file(self):
        first, second = (figure_bytes(spin_down_figures(pair())[0], "svg") for _ in range(2))

        assert first == second


class TestPlainData:
    @pytest.mark.parametrize("made", WITH_LOGS.values(), ids=WITH_LOGS)
    def test_content_is_json_without_long_arrays(self, made):
        text = json.dumps(fit_content(made()), allow_nan=False)

        assert len(text) < 300_000

    def test_coast_down_is_told_by_its_rates(self):
        first = fit_content(pair())["coast_downs"][0]

        assert first["rates"] == [-3.0, -3.0, -3.0]
        assert first["left_out"][0] == {
            "reason": "drive still engaged",
            "count": 10,
            "first_row": 2,
        }
        assert len(first["curve"]["time"]) == 77

    def test_long_log_is_thinned(self):
        content = fit_content(long_log())["coast_downs"][0]

        assert len(content["curve"]["time"]) == MOST_DRAWN
        assert content["log_samples"] == 5_000_000

    def test_heating_is_told(self):
        heating = fit_content(warming())["heating"]

        assert heating["rotor"] == "held"
        assert heating["thermal_resistance"]["value"] == 2.0
        assert len(heating["curve"]["low"]) == 61


def test_means_of_neighbours_keep_the_last_short_group():
    """Seven readings in groups of three: 1, 4, and 6 alone."""
    found = thinned(np.arange(7.0), np.arange(7.0), most=3)

    assert_allclose(found.y, [1.0, 4.0, 6.0])
    assert_allclose(found.low, [0.0, 3.0, 6.0])
    assert_allclose(found.high, [2.0, 5.0, 6.0])


def test_some_places_reach_both_ends():
    assert some_of(1000, 3).tolist() == [0, 500, 999]
    assert some_of(2, 5).tolist() == [0, 1]
