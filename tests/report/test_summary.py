"""Several fits in one table, and a fit as plain data."""

import json
import math
from dataclasses import replace

import pytest
from hand_made_fits import VARIANTS, measured, one_resistor

from motorfit.report.changes import changes_between
from motorfit.report.content import fit_content
from motorfit.report.summary import summary


def test_each_bench_has_its_line():
    """5.770 +- 0.020 V per 1000 rpm and 0.85 +- 0.06 ohm, as on the first screen."""
    lines = summary({"red": measured(), "one": one_resistor(), "bad": None}).splitlines()

    assert [line.split()[0] for line in lines[2:]] == ["red", "one", "bad"]
    assert "5.770 +- 0.020" in lines[2]
    assert "0.85 +- 0.06" in lines[2]
    assert lines[3].split()[1:4] == ["?", "?", "?"]
    assert "not fitted" in lines[4]


def test_table_fits_a_small_terminal():
    text = summary({"a bench with a name that does not end " * 3: measured()})

    assert max(map(len, text.splitlines())) <= 80


@pytest.mark.parametrize("made", VARIANTS.values(), ids=VARIANTS)
def test_content_is_json_without_numbers_that_json_does_not_have(made):
    fit = made()
    endless = replace(fit, degrees_of_freedom=math.inf)

    text = json.dumps(fit_content(endless), allow_nan=False)

    assert json.loads(text)["degrees_of_freedom"] is None


def test_content_holds_profile_findings_widths_advice_and_answers():
    fit = measured()

    content = fit_content(fit, changes_between(fit.profile, fit.profile))

    assert content["profile"]["format"] == "motorfit-profile"
    assert len(content["findings"]) == len(fit.findings)
    assert content["widths"]["emf_constant"][0]["share"] == 0.8  # as stated in the fixture
    assert content["advice"][0]["minutes"] == 5
    assert content["answers"][0] == {"question": "as a generator", "answer": "yes", "why": ""}
    assert content["changes"] == []
