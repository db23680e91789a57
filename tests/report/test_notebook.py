"""Notebook display: tables by registration, with what users wrote escaped."""

from hand_made_fits import measured, one_resistor

from motorfit.report.notebook import fit_html, load_ipython_extension, profile_html


class Formatter:
    """What a notebook offers to register with, as far as it is used."""

    def __init__(self):
        self.known = {}

    def for_type_by_name(self, module, name, function):
        self.known[module, name] = function


class Shell:
    def __init__(self):
        self.formatter = Formatter()
        self.display_formatter = self
        self.formatters = {"text/html": self.formatter}


def test_fits_and_profiles_are_registered_without_loading_the_fitter():
    shell = Shell()

    load_ipython_extension(shell)

    assert shell.formatter.known == {
        ("motorfit.estimation.result", "Fit"): fit_html,
        ("motorfit.profile.model", "MachineProfile"): profile_html,
    }


def test_fit_is_shown_as_a_table():
    html = fit_html(measured())

    assert "<table>" in html
    assert "5.770 V/1000 rpm" in html  # 0.0551 * 1000 pi/30
    assert "<b>partly</b>" in html


def test_name_is_escaped():
    html = profile_html(measured("<script>alert('x')</script>").profile)

    assert "<script>" not in html
    assert "&lt;script&gt;" in html


def test_what_is_not_known_names_the_test():
    assert "open-circuit, or load with a second resistor" in profile_html(one_resistor().profile)
