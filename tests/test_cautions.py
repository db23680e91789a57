"""Cautions: said the same way everywhere, and called for by readings above their line."""

import math

import pytest

from motorfit.bench.kinds import KINDS
from motorfit.cautions import CAUTIONS, CAUTIONS_OF_TEST, crossed


def test_every_kind_of_test_has_its_cautions():
    assert set(CAUTIONS_OF_TEST) == set(KINDS)
    assert {name for names in CAUTIONS_OF_TEST.values() for name in names} == set(CAUTIONS)


def test_driven_tests_warn_of_rotating_parts():
    for kind in (kind for kind in KINDS.values() if kind.generating):
        assert "rotating" in CAUTIONS_OF_TEST[kind.name]


@pytest.mark.parametrize("caution", CAUTIONS.values(), ids=lambda caution: caution.name)
def test_a_sentence_fits_one_cell_of_a_spreadsheet(caution):
    assert caution.says.isascii()
    assert not set(caution.says) & set(',;"\n')


@pytest.mark.parametrize(
    ("readings", "names"),
    [
        ({"voltage": 50.0, "current": 10.0, "resistor_power": 5.0}, []),
        ({"voltage": 50.1}, ["voltage"]),
        ({"current": 10.1, "voltage": 400.0}, ["amps-jack", "voltage"]),
        ({"resistor_power": 5.1}, ["hot-resistor"]),
        ({"voltage": math.nan}, []),
    ],
)
def test_a_reading_above_its_line_calls_for_its_caution(readings, names):
    """50 V and 10 A are the lines that the cautions themselves name."""
    assert [caution.name for caution in crossed(**readings)] == names
