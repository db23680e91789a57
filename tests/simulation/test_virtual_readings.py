"""How errors are drawn, and how displays round."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from motorfit.simulation.instruments import virtual_meter
from motorfit.simulation.readings import DrawnKit, rounded
from motorfit.unit_tables import RPM

METER = virtual_meter("voltage", "V", percent=0.5, digits=2, resolution=0.01)


def drawn_errors(normal, count=4000):
    rng = np.random.default_rng(7)
    errors = [DrawnKit(rng=rng, normal=normal).error(METER, 0.01) for _ in range(count)]
    return np.array([error.gain for error in errors]), np.array([e.offset for e in errors])


def test_rectangular_errors():
    """Within 0.5 % and 2 x 0.01 V; standard deviation a/sqrt(3) (JCGM 100, 4.3.7).

    The variance of a rectangular sample's variance is 0.8/n of its square: 4 standard
    deviations of the standard deviation are 2.8 %.
    """
    gain, offset = drawn_errors(normal=False)
    assert np.abs(gain).max() <= 0.005
    assert np.abs(offset).max() <= 0.02
    assert gain.std() == pytest.approx(0.005 / np.sqrt(3), rel=0.028)
    assert offset.std() == pytest.approx(0.02 / np.sqrt(3), rel=0.028)
    assert abs(np.corrcoef(gain, offset)[0, 1]) < 4 / np.sqrt(len(gain))


def test_normal_errors_have_the_same_spread():
    """2/n for a normal sample: 4 standard deviations are 4.5 %. A twelfth is beyond a."""
    gain, _ = drawn_errors(normal=True)
    assert gain.std() == pytest.approx(0.005 / np.sqrt(3), rel=0.045)
    assert 0.06 < (np.abs(gain) > 0.005).mean() < 0.11  # 2 (1 - Phi(sqrt(3))) = 0.083


def test_an_error_is_drawn_once():
    kit = DrawnKit(rng=np.random.default_rng(1), normal=False)
    assert kit.error(METER, 0.01) is kit.error(METER, 0.01)
    assert kit.error(METER, 0.01).gain != kit.error(METER, 0.1).gain


@given(
    whole=st.integers(-99999, 99999),
    places=st.integers(0, 4),
    off=st.floats(-0.49, 0.49),
    factor=st.sampled_from([1.0, RPM]),
)
def test_rounding_gives_the_very_number_that_reading_the_display_gives(whole, places, off, factor):
    """float("12.34") times the unit, bit for bit: sheets are read back the same."""
    stated = virtual_meter("speed", "n", resolution=10.0**-places * factor, display_factor=factor)
    step = np.array([10.0**-places * factor])
    shown = rounded(np.array([(whole + off) * step[0]]), stated.stated, step)
    assert shown[0] == float(f"{whole / 10.0**places:.{places}f}") * factor


def test_rounding_to_a_step_that_is_no_decimal():
    """A dial with five divisions a volt."""
    dial = virtual_meter("voltage", "V", resolution=0.2).stated
    shown = rounded(np.array([1.07, 1.13]), dial, np.array([0.2, 0.2]))
    assert shown == pytest.approx([1.0, 1.2], abs=1e-12)


def test_accuracy_is_written_as_in_a_manual():
    assert METER.stated.accuracy.text == "0.5 % + 2 digits"
    speed = virtual_meter("speed", "n", digits=1, absolute=3, resolution=RPM, display_factor=RPM)
    assert speed.stated.accuracy.text == "1 digit + 3 rpm"
    assert speed.stated.accuracy.absolute == pytest.approx(3 * 2 * np.pi / 60, rel=1e-12)
