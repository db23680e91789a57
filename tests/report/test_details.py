"""Everything behind the first screen: each part is there, in plain text of 96 columns."""

from dataclasses import replace

import pytest
from hand_made_fits import VARIANTS, drill, measured, one_resistor

from motorfit.bench.records import ExcludedRow
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
