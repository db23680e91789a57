"""Everything behind the first screen: each part is there, in plain text of 96 columns."""

from dataclasses import replace

import pytest
from hand_made_fits import RPM, VARIANTS, drill, lathe, measured, one_resistor

from motorfit.bench.records import ExcludedRow
from motorfit.estimation.result import Scatter
from motorfit.profile.model import InstrumentError
from motorfit.report.changes import changes_between
from motorfit.report.details import details
from motorfit.report.tables import table


@pytest.mark.parametrize("made", VARIANTS.values(), ids=VARIANTS)
def test_details_are_plain_text_of_limited_width(made):
    text = details(made())

    assert text.isascii()
    assert max(map(len, text.splitlines())) <= 96


def row_with(text, start):
    return next(line for line in text.splitlines() if line.startswith(start)).split()


def test_parameters_stand_in_every_unit():
    """0.0551 V s/rad: 5.770 V/1000 rpm and 173.31 rpm/V, by 1000 pi/30 and 30/pi."""
    text = details(measured())

    for shown in ("5.770", "173.31", "V/1000 rpm", "rpm/V", "V s/rad", "N m/A", "mohm", "mN m"):
        assert shown in text


def test_interval_of_a_reciprocal_has_its_lower_end_first():
    """173.31 rpm/V with relative half-width 2 * hypot(0.0006, 0.0016): 172.7 to 173.9."""
    assert "172.7 to 173.9" in details(measured())


def test_parts_of_an_uncertainty_are_told_apart():
    """R: 0.851 * 0.03 from scatter, 0.851 * 0.014 from instruments, stated in the fixture."""
    row = row_with(details(measured()), "R   ")

    assert row[:4] == ["R", "0.026", "0.012", "ohm"]


def test_correlation_of_resistance_and_brush_drop_is_shown():
    """Scatter correlates at -0.88; the instruments' parts, all of one sign, dilute it.

    Covariance -0.88 * 0.02553 * 0.0605 + 2 * (0.01191/sqrt 2) (0.01815/sqrt 2), over the
    standard uncertainties 0.02817 and 0.06316: -0.64.
    """
    assert row_with(details(measured()), "Vb  +")[2] == "-0.64"


def test_every_reading_has_its_row():
    fit = measured()
    text = details(fit)

    assert text.count("\nload.csv ") == 12
    assert text.count("\nno-load-motor.csv ") == 10  # a voltage and a torque equation each


def test_reading_that_stands_out_is_marked_in_words():
    """Row 5 of the drill's readings is 5.1 of its uncertainties off, row 29 is -4.2."""
    marked = [line.split() for line in details(drill()).splitlines() if "STANDS OUT" in line]

    assert [row[1] for row in marked] == ["5", "29"]


def test_all_findings_stand_there_with_their_suggestions():
    text = " ".join(details(measured()).split())

    assert "Look at the paper, or take this reading again." in text
    assert "Turn the other way once." in text


def test_combinations_are_shown_with_their_letters():
    assert "k / (R + load)" in details(one_resistor())


def test_rows_left_out_are_told_with_their_reason():
    fit = drill()
    run = replace(fit.bench.runs[0], excluded=(ExcludedRow(row=9, reason="belt slipped"),))
    fit = replace(fit, bench=replace(fit.bench, runs=(run,)))

    assert "load.csv row 9: belt slipped" in details(fit)


def test_nothing_changed_is_said_too():
    fit = measured()

    assert "nothing changed" in details(fit, changes_between(fit.profile, fit.profile))


def test_brackets_in_a_cell_stay_as_they_are():
    """The table drawer has a markup of its own in brackets; what users wrote is no markup."""
    assert "[bold]x[/bold] :smile:" in table(("a",), [("[bold]x[/bold] :smile:",)])


def test_uncertainty_stands_in_the_unit_of_its_row():
    """R: 0.851 * hypot(0.03, 0.014) = 0.0282 ohm, so 28 mohm; k: 0.0551 * 0.00171 V s/rad.

    That is 0.0099 V/1000 rpm, and 0.171 % of 173.31 rpm/V is 0.296.
    """
    rows = [line.split() for line in details(measured()).splitlines()]

    uncertainty = {row[-2]: row[-6] for row in rows if row[-1:] == ["measured"] and len(row) > 5}
    assert uncertainty["mohm"] == "28"
    assert uncertainty["rpm/V"] == "0.30"
    assert next(row for row in rows if "V/1000" in row)[4] == "0.010"


def test_loss_known_at_one_speed_names_the_speed_in_rpm():
    fit = lathe()
    (combination,) = fit.profile.combinations
    row = next(line for line in details(fit).splitlines() if line.startswith("T0 + b*speed"))

    assert f"speed {combination.at['speed'] / RPM:.4g} rpm" in row


def test_small_combination_is_shown_in_one_unit_throughout():
    """0.0042 +- 0.0001 ohm within 0.0040 to 0.0044, all of it in mohm."""
    fit = one_resistor()
    small = replace(
        fit.profile.combinations[0],
        of="armature_resistance + brush_drop/current",
        at={"current": 2.0},
        value=0.0042,
        unit="Ohm",
        standard_uncertainty=0.0001,
        interval=(0.0040, 0.0044),
    )
    fit = replace(fit, profile=replace(fit.profile, combinations=(small,)))

    assert row_with(details(fit), "R + Vb/current")[3:] == [
        *("4.20", "0.10", "4.00", "to", "4.40", "mohm", "current", "2", "A")
    ]


@pytest.mark.parametrize(
    ("relative", "shown"), [(True, ["voltage", "0.3", "%", "18"]), (False, ["voltage", "0.003"])]
)
def test_scatter_is_relative_or_in_its_unit(relative, shown):
    one = Scatter(
        name="voltage", standard_deviation=0.003, relative=relative, degrees_of_freedom=18.0
    )
    text = details(replace(measured(), scatter=(one,)))
    section = text[text.index("Scatter, as the residuals tell it") :]

    assert row_with(section, "voltage")[: len(shown)] == shown


@pytest.mark.parametrize(
    ("half_width", "unit", "shown"), [(0.01, "1", ["1", "%"]), (0.002, "V", ["2", "mV"])]
)
def test_error_of_an_instrument_is_in_percent_or_in_its_unit(half_width, unit, shown):
    fit = measured()
    error = InstrumentError(
        quantity="voltage", id="A", range="4V", error="gain", shape="rectangular",
        half_width=half_width, unit=unit, sensitivity={},
    )  # fmt: skip
    text = details(replace(fit, profile=replace(fit.profile, instruments=(error,))))
    section = text[text.index("Errors of the instruments") :]

    assert row_with(section, "voltage  A")[4:6] == shown


def test_torque_of_a_residual_is_in_one_unit_throughout():
    """2.5 mN m measured and 2.0 mN m fitted leave 0.5 mN m."""
    fit = measured()
    row = next(row for row in fit.residuals if row.equation == "torque")
    row = replace(row, measured=0.0025, fitted=0.0020, residual=0.0005)

    shown = row_with(details(replace(fit, residuals=(row,))), row.file)
    assert shown[3:8] == ["2.5", "2", "+0.5", "mN", "m"]
