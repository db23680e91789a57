"""Plain text that fits: wrapping, cutting, and taking the cheapest step first."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from motorfit.report.layout import Block, bulleted, cut, fit_to_screen, gap, wrapped


def test_roomy_versions_are_kept_where_there_is_room():
    assert fit_to_screen([Block((["a", "b"], ["a"]), (1.0,))], 2) == "a\nb"


def test_cheapest_step_is_taken_first():
    cheap = Block((["long", "cheap"], ["cheap"]), (1.0,))
    dear = Block((["long", "dear"], ["dear"]), (2.0,))

    assert fit_to_screen([dear, cheap], 3) == "long\ndear\ncheap"


def test_empty_lines_go_before_any_words():
    words = Block((["one", "two"], ["one"]), (0.1,))

    assert fit_to_screen([words, gap()], 2) == "one\ntwo"


def test_nothing_is_dropped_that_has_no_version_without_it():
    assert fit_to_screen([Block((["one", "two"],))], 1) == "one\ntwo"


@given(st.text(max_size=200), st.integers(8, 60), st.integers(1, 4))
def test_wrapped_text_stays_within_its_width_and_lines(text, width, most):
    """Any text, wide characters included: cells on the screen, not characters, are counted."""
    lines = wrapped(text, width, most)

    assert len(lines) <= most
    assert all(cell_len(line) <= width for line in lines)


@given(st.text(max_size=100))
def test_cut_text_is_one_line(text):
    shown = cut(text, 20)

    assert cell_len(shown) <= 20
    assert len(shown.splitlines()) <= 1


def test_wide_characters_take_two_columns():
    """Ten characters of two columns each do not fit 12 columns."""
    assert cut("\N{CJK UNIFIED IDEOGRAPH-96FB}" * 10, 12).endswith("...")


@pytest.mark.parametrize("most", [1, 2])
def test_each_bulleted_text_gets_as_many_lines_as_it_may(most):
    lines = bulleted("Findings", ["word " * 40, "word " * 40], most)

    assert len(lines) == 2 * most
