"""Directives of these docs: sentences and help texts that stand in the program only once."""

from __future__ import annotations

import contextlib
import re
import shlex
import tempfile
from pathlib import Path
from typing import Any

import click
from click.testing import CliRunner
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
        context = click.Context(
            main, info_name="motorfit", max_content_width=80, **main.context_settings
        )
        try:
            command = main.get_command(context, name)
        except ImportError as error:
            raise self.error(str(error)) from error
        if command is None:
            raise self.error(f"no command {name}")
        text = command.get_help(click.Context(command, context, name))
        return [nodes.literal_block(text, text, language="text")]


class Screen(Directive):
    """``{screen} fit my-motor``: a command with what it writes, run while the docs are built.

    It is run in a folder with the files that the page shows under their names.
    """

    required_arguments = 1
    final_argument_whitespace = True

    def run(self) -> list[nodes.Node]:
        page = Path(
            self.state.document.settings.env.doc2path(self.state.document.settings.env.docname)
        )
        command = self.arguments[0]
        with tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder):
            write_shown_files(page.read_text("utf-8"))
            result = CliRunner().invoke(main, shlex.split(command))
        if result.exit_code:
            raise self.error(result.output)
        text = f"$ motorfit {command}\n{result.stdout}"
        return [nodes.literal_block(text, text, language="text")]


def write_shown_files(text: str) -> None:
    """Write every file that a page shows in a code block with its name as caption."""
    for name, content in re.findall(r"(?ms)^:caption: (\S+)\n\n(.*?)^```$", text):
        path = Path(name)
        path.parent.mkdir(exist_ok=True)
        path.write_text(content, "utf-8")


def setup(app: Any) -> dict[str, Any]:
    """Make the directives known to Sphinx."""
    app.add_directive("cautions", Cautions)
    app.add_directive("command-help", CommandHelp)
    app.add_directive("screen", Screen)
    return {"parallel_read_safe": True}
