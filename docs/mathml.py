"""Equations as MathML, which browsers draw themselves: the pages need no network."""

from __future__ import annotations

from typing import Any

from docutils import nodes
from latex2mathml.converter import convert

#: What the converter leaves without space, or draws with letters that few fonts have.
BETTER_DRAWN = {r"\tanh": r"\,\tanh", r"\mathsf{T}": r"\mathrm{T}"}


def mathml(latex: str, display: str) -> str:
    """One equation; ``display`` is "inline" or "block"."""
    for written, drawn in BETTER_DRAWN.items():
        latex = latex.replace(written, drawn)
    return convert(latex, display=display)


def visit_math(self: Any, node: nodes.math) -> None:
    """An equation within a sentence."""
    self.body.append(mathml(node.astext(), "inline"))
    raise nodes.SkipNode


def visit_math_block(self: Any, node: nodes.math_block) -> None:
    """An equation by itself: wider than a narrow screen, it scrolls within its own box."""
    latex = node.astext()
    if r"\\" in latex:
        latex = rf"\begin{{aligned}}{latex}\end{{aligned}}"
    self.body.append(self.starttag(node, "div", CLASS="math"))
    self.body.append(mathml(latex, "block"))
    self.body.append("</div>\n")
    raise nodes.SkipNode


def setup(app: Any) -> dict[str, Any]:
    """Make the renderer known to Sphinx."""
    app.add_html_math_renderer("mathml", (visit_math, None), (visit_math_block, None))
    return {"parallel_read_safe": True, "parallel_write_safe": True}
