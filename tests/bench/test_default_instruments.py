"""What is taken of a meter that nobody described is what the user is told is taken."""

import pytest

from motorfit.bench.default_instruments import HANDHELD
from motorfit.quantities import read_accuracy


@pytest.mark.parametrize("quantity", HANDHELD)
def test_the_accuracy_that_is_taken_is_the_one_that_is_told(quantity):
    """The sentence under "Assumed", read as if a manual had said it."""
    _, accuracy = HANDHELD[quantity]

    assert read_accuracy(accuracy.text, quantity) == accuracy
