"""From the text of a sheet to rows of cells."""

from pathlib import Path

import pytest

from motorfit.bench.tables import split_table
from motorfit.errors import BenchError

LOAD = Path("load.csv")


def split(text):
    return split_table(LOAD, text)


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_the_header_row_shows_the_delimiter(delimiter):
    sheet = split(f"speed (rpm){delimiter}voltage (V)\n1500{delimiter}12\n")

    assert sheet.headers == ("speed (rpm)", "voltage (V)")
    assert sheet.columns == (("1500",), ("12",))
    assert sheet.delimiter == delimiter


def test_rows_count_as_a_spreadsheet_shows_them():
    """Counted by hand: remarks, blank rows and a cell of two lines are one row each."""
    sheet = split(
        '# one\n\n# three, with "odd quotes\nspeed (rpm),note\n100,"two\nlines"\n,\n200,\n'
        "# eight\n300,x\n"
    )

    assert sheet.header_row == 4
    assert sheet.rows.tolist() == [5, 7, 9]
    assert sheet.columns[1] == ("two\nlines", "", "x")
    assert [row for row, _ in sheet.remarks] == [1, 3, 8]


def test_remarks_survive_a_spreadsheet():
    """A spreadsheet saves a remark with quotes and with trailing delimiters."""
    sheet = split('"# voltage meter: B, the blue one",,\n# current meter: C,,\nrpm,V,A\n1,2,3\n')

    assert sheet.remarks == ((1, "voltage meter: B, the blue one"), (2, "current meter: C"))


def test_trailing_and_empty_columns_fall_away():
    sheet = split("rpm;;V;;\n1500;;12,5;;\n;;;;\n1200;;10;\n")

    assert sheet.headers == ("rpm", "V")
    assert sheet.columns == (("1500", "1200"), ("12,5", "10"))


def test_short_rows_are_filled_with_blanks():
    assert split("rpm,V,note\n1500,12.5\n").columns == (("1500",), ("12.5",), ("",))


def test_a_hidden_delimiter_line_is_obeyed_and_not_counted():
    sheet = split("sep=;\nspeed (rpm);note, or remark\n100;a, b\n")

    assert sheet.columns == (("100",), ("a, b",))
    assert (sheet.header_row, sheet.rows.tolist()) == (1, [2])


def test_a_blank_row_below_a_hidden_delimiter_line_counts():
    """A spreadsheet hides the line of the delimiter alone."""
    sheet = split("sep=;\n\nspeed (rpm);V\n100;1\n")

    assert (sheet.header_row, sheet.rows.tolist()) == (2, [3])


def test_one_column_of_decimal_commas_stays_one_column():
    assert split("torque (N m)\n0,12\n0,135\n").columns == (("0,12", "0,135"),)


@pytest.mark.parametrize("text", ["", "\n\n", "# only remarks\n#\n", ",,,\n,\n"])
def test_nothing_written_is_no_sheet(text):
    assert split(text) is None


def test_a_sheet_with_headers_alone_has_no_rows():
    assert len(split("# blank\nspeed (rpm),voltage (V)\n,\n")) == 0


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            "rpm,V\n1500,12,5\n",
            r"load.csv, row 2: found 3 cells, expected at most 2.*save the sheet with semicolons",
        ),
        ("rpm;V\n1;2;;9\n", r"load.csv, row 2: found 4 cells.*Give every column a header"),
        ('rpm,V\n1,"2\n3,4\n', r"load.csv, row 2: found a quote sign that does not close"),
        ('rpm,V\n1,2\n3,"4"x\n', r"load.csv, row 3: found a quote sign.*Remove the quote sign"),
        ("rpm,,V\n1,,2\n3,7,4\n", r'load.csv, row 3, column "B": found \'7\' below no header'),
        ("1500,12.5\n1200,10\n", r"load.csv, row 1: found numbers, expected a row of headers"),
    ],
)
def test_rows_that_do_not_fit_are_named_with_a_remedy(text, message):
    with pytest.raises(BenchError, match=message):
        split(text)


@pytest.mark.parametrize(
    "text",
    [
        "rpm,V,note\n1500,12,5\n900,7\n",  # 12,5 V fell into V and note
        "rpm,V,winding (degC)\n1500,12,5\n900,7\n",  # and into the temperature
        "rpm,V,note\n1500,12,5\n900,7,1\n",  # in every row
        "rpm,V,setting,note,exclude\n1500,12,5\n900,7,1\n",  # typed without the other commas
        "rpm,V,setting,note,exclude\n1500,12,5,,,\n900,7,1,,,\n",  # with all of them
        "rpm,V,setting,note,exclude\n1500,12,5,,\n900,7,1,,\n700,5,9,,\n",  # one too few
        "rpm,V,setting,note,exclude\n1500,12,5\n900,7,1,p. 3\n",  # a note has a point
    ],
)
def test_decimal_commas_never_slip_into_a_spare_column(text):
    with pytest.raises(BenchError, match=r"row 2: found '1500,12,5', where commas may be decimal"):
        split(text)


@pytest.mark.parametrize(
    "text",
    [
        "rpm,V,setting\n1500,12,1\n900,7,2\n",  # full rows of whole numbers
        "rpm,V,note\n1500,12.5\n900,7,3\n",  # a decimal point settles it
        "rpm,V,note\n1500,12\n900,7,hot\n",
        "rpm,V,setting,note\n1500,12.0,1\n900,7,2\n",  # as the remedy has it
        "rpm,V\n1500,12,,\n900,7,,\n",  # blank columns behind the last
    ],
)
def test_whole_numbers_are_not_taken_for_decimal_commas(text):
    assert len(split(text)) == 2


def test_a_failed_formula_is_a_cell_and_no_remark():
    # a spreadsheet writes #N/A into the first cell of a row: the row must not vanish
    sheet = split("rpm,V\n#N/A,5\n#DIV/0!,7\n# a remark\n900,7\n")
    assert sheet.columns[0] == ("#N/A", "#DIV/0!", "900")
    assert sheet.remarks == ((4, "a remark"),)
