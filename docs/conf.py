"""Sphinx settings: `python -m sphinx -W --keep-going -b html docs docs/_build`."""

import sys
from pathlib import Path

import motorfit

sys.path.insert(0, str(Path(__file__).parent))

project = "motorfit"
author = "the motorfit contributors"
copyright = author  # noqa: A001  (the name is Sphinx's)
version = release = motorfit.__version__

extensions = ["directives", "mathml", "myst_parser", "numpydoc", "sphinx.ext.autodoc"]
myst_enable_extensions = ["deflist", "dollarmath", "fieldlist"]
myst_heading_anchors = 3
exclude_patterns = ["_build"]
# A docstring names its source for the reader; the text need not point to it again.
suppress_warnings = ["ref.citation", "ref.footnote"]

autodoc_member_order = "bysource"
autodoc_typehints = "none"
numpydoc_show_class_members = False

html_math_renderer = "mathml"
html_theme = "alabaster"
html_static_path = ["_static"]
html_css_files = ["pages.css"]
html_theme_options = {
    "description": "Bench readings of a motor, into numbers with honest intervals",
    "fixed_sidebar": True,
    "show_relbar_bottom": True,
    "page_width": "64em",
}
