"""Directives of these docs: sentences and help texts that stand in the program only once."""

from __future__ import annotations

from typing import Any

import click
from docutils import nodes
from docutils.parsers.rst import Directive

from motorfit.cautions import CAUTIONS, cautions_of
from motorfit.cli import main


class Cautions(Directive):
    """``{cautions} load``: the cautions of one test; without a test, all of them."""

    optional_arguments = 1

    def run(self) -> list[nodes.Node]:
        cautions = cautions_of(self.arguments[0]) if self.arguments else CAUTIONS.values()
        items = nodes.bullet_list()
        for caution in cautions:
            title = nodes.strong(text=f"{caution.title}.")
            items += nodes.list_item(
                "", nodes.paragraph("", "", title, nodes.Text(f" {caution.says}"))
            )
        return [nodes.caution("", items)]


class CommandHelp(Directive):
    """``{command-help} fit``: what `motorfit fit --help` shows."""

    required_arguments = 1

    def run(self) -> list[nodes.Node]:
        name = self.arguments[0]
        context = click.Context(main, info_name="motorfit", max_content_width=80)
        try:
            command = main.get_command(context, name)
        except ImportError as error:
            raise self.error(str(error)) from error
        if command is None:
            raise self.error(f"no command {name}")
        text = command.get_help(click.Context(command, context, name, max_content_width=80))
        return [nodes.literal_block(text, text, language="text")]


def setup(app: Any) -> dict[str, Any]:
    """Make the directives known to Sphinx."""
    app.add_directive("cautions", Cautions)
    app.add_directive("command-help", CommandHelp)
    return {"parallel_read_safe": True}
