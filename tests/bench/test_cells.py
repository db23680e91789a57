"""From the cells of a column to numbers, and what is said of a cell that is none."""

import re

import numpy as np
import pytest

from motorfit.bench.cells import complain, decimal_sign, read_numbers
from motorfit.quantities import read_header

VOLTAGE = read_header("voltage (V)")


@pytest.mark.parametrize(
    ("cells", "delimiter", "sign"),
    [
        (["12.5", "1500"], ",", "."),
        (["12,5", "1500"], ";", ","),
        (["12,5"], ",", ","),  # in quotes
        (["1,234", "12,5"], "\t", ","),
        (["1,234"], ";", ","),  # semicolons stand where the comma is the decimal sign
        (["1.234"], ",", "."),
        (["0.234", "1.234"], "\t", "."),  # no thousands begin with zero
        (["1,234,567"], ",", "."),
        (["1.234,5"], ";", ","),
        (["-1.5e3"], ";", "."),
        (["12", "x,y"], ";", ","),
        ([], ",", "."),
        # what may be thousands or decimals, and nothing else in the sheet to tell:
        (["1,234"], "\t", None),
        (["1,234"], ",", None),
        (["1.234"], ";", None),
        (["1.234"], "\t", None),
        (["1,234"], "", None),
    ],
)
def test_decimal_sign_is_told_by_cells_that_can_be_read_in_one_way_only(cells, delimiter, sign):
    assert decimal_sign([cells], delimiter) == sign


@pytest.mark.parametrize(
    ("cells", "sign", "values", "decimals"),
    [
        (["12.40", "-3", "", "+.5"], ".", [12.4, -3.0, np.nan, 0.5], 2),
        (["12,40", "1e-3", "5,"], ",", [12.4, 0.001, 5.0], 3),
        (["\N{MINUS SIGN}4,5"], ",", [-4.5], 1),
        (["1.5e3"], ".", [1500.0], -2),
        (["", ""], ".", [np.nan, np.nan], 0),
    ],
)
def test_numbers_come_with_the_finest_decimal_place_written(cells, sign, values, decimals):
    """Values and places counted by hand."""
    read = read_numbers(cells, sign)

    np.testing.assert_array_equal(read.values, values)
    assert read.decimals == decimals
    assert read.wrong == ()
    assert read.filled.tolist() == [cell != "" for cell in cells]


@pytest.mark.parametrize(
    ("cell", "sign", "remedy"),
    [
        ("12.4 V", ".", r"^Write 12.4; the unit stands in the header.$"),
        ("12.4V", ",", r"^Write 12,4; the unit stands in the header.$"),
        ("850 mV", ".", r"^Write 0.85; the header says V.$"),
        ("850 mV", ",", r"^Write 0,85; the header says V.$"),
        ("50 %", ".", r"^Write the number alone, in V"),
        ("3 A", ".", r"^Write the number alone, in V"),
        ("nan", ".", r"^Write the reading; to leave the row out"),
        ("inf", ".", r"^Write the reading"),
        ("--", ".", r"^Write the reading"),
        ("-", ",", r"^Write the reading"),
        ("hot", ".", r"^Write the reading"),
        ("1e999", ".", r"^Write the reading"),
        ("1_000", ".", r"^Write the number alone"),
        ("\N{ARABIC-INDIC DIGIT THREE}", ".", r"^Write the reading"),
        ("OL", ".", r"^The meter was out of its range"),
        ("<0.5", ".", r"^Write the number alone; what is to be said of it"),
        ("#DIV/0!", ".", r"^Save the sheet again with the result of the formula"),
        ("1500;12", ".", r"^Separate the cells of every row with the same sign as the headers.$"),
        ("12,5", ".", r"^Write 12.5.$"),
        ("12.5", ",", r"^Write 12,5.$"),
        ("1,234", ".", r"^Write 1234, or 1.2340; .* no thousands separator.$"),
        ("1.234", ",", r"^Write 1234, or 1,2340"),
        ("1.234", None, r"^Write 1234, or 1.2340"),
        ("1.234,5", ",", r"^Write 1234,5.$"),
        ("1,234.5", ".", r"^Write 1234.5.$"),
        ("1 234", ".", r"^Write 1234.$"),
        ("1\N{NO-BREAK SPACE}234,5", ",", r"^Write 1234,5.$"),
        ("1'234.5", ".", r"^Write 1234.5.$"),
    ],
)
def test_a_cell_that_is_no_number_gets_its_own_remedy(cell, sign, remedy):
    assert read_numbers([cell, "1"], sign).wrong == (0,)
    complaint = complain(cell, sign, VOLTAGE)
    assert cell in complaint.found
    assert re.search(remedy, complaint.remedy)


@pytest.mark.parametrize("cell", ["12:00:03", "2024-05-01 12:00:03.250", "1.5.2024 9:07"])
def test_a_time_of_day_is_told_to_become_seconds(cell):
    complaint = complain(cell, ".", read_header("time (s)"))

    assert complaint.found == f"'{cell}'"
    assert complaint.remedy.startswith("Write the time since the first row instead")


@pytest.mark.parametrize(
    ("cell", "header", "remedy"),
    [
        ("72.5 degF", "winding (degC)", "Write 22.5; the header says degC."),
        ("22.5 degC", "winding (degF)", "Write 72.5; the header says degF."),
        ("295.65 K", "winding (degC)", "Write 22.5; the header says degC."),
        ("2 kohm", "load (ohm)", "Write 2000; the header says ohm."),
    ],
)
def test_what_to_write_in_place_of_another_unit_is_the_same_quantity(cell, header, remedy):
    """By hand: (72.5 - 32) 5 / 9 = 22.5, and 22.5 + 273.15 = 295.65."""
    assert complain(cell, ".", read_header(header)).remedy == remedy
