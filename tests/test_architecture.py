"""Which way imports run, which names are public, and that every command can be found out about."""

import ast
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

import motorfit
from motorfit.cli import COMMANDS, main

PACKAGE = Path(motorfit.__file__).parent
DOCS = PACKAGE.parent / "docs"

#: Rooms from left to right, and what each may import besides itself and the base.
ALLOWED = {
    "base": set(),
    "bench": set(),
    "instruments": set(),
    "machine": set(),
    "profile": {"machine"},
    "estimation": {"bench", "instruments", "machine", "profile"},
    "claims": {"machine", "profile"},
    "sizing": {"machine", "profile"},
    "exports": {"machine", "profile"},
    "simulation": {"bench", "instruments", "machine"},
}
for room in ("report", "studies", "cli"):
    ALLOWED[room] = set(ALLOWED)
ALLOWED["cli"] |= {"the package"}
ALLOWED["studies"] |= {"the package"}
ALLOWED["the package"] = {"cli"}  # for `python -m motorfit`


def room_of(module: str) -> str:
    """The room of a dotted module name; a module that is no room of its own is base."""
    parts = module.split(".")
    if len(parts) == 1 or parts[1] == "__main__":
        return "the package"
    return parts[1] if parts[1] in ALLOWED else "base"


def imported_by(path: Path) -> set[str]:
    """Names of what a file uses of motorfit, imported lazily or not."""
    names = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names} - {"motorfit"}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}: relative import"
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
        elif isinstance(node, ast.Attribute) and getattr(node.value, "id", "") == "motorfit":
            names.add(f"motorfit.{node.attr}")
    # anybody may ask for the version, which stands in the package itself
    names.discard("motorfit.__version__")
    return {name for name in names if name.split(".")[0] == "motorfit"}


@pytest.mark.parametrize("path", sorted(PACKAGE.rglob("*.py")), ids=lambda p: p.stem)
def test_imports_run_one_way(path):
    here = room_of(".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts))
    if path == PACKAGE / "__init__.py":
        here = "the package"
    facade = {f"motorfit.{name}" for name in motorfit.__all__}
    rooms = {"the package" if name in facade else room_of(name) for name in imported_by(path)}
    assert rooms <= ALLOWED[here] | {here, "base"}


def test_public_names_are_the_documented_ones():
    page = (DOCS / "python.md").read_text("utf-8")
    documented = re.findall(r"^\.\. auto(?:class|function|exception):: (\w+)$", page, re.MULTILINE)
    assert sorted(documented) == motorfit.__all__


@pytest.mark.parametrize("name", list(COMMANDS))
def test_every_command_tells_about_itself(name):
    shown = CliRunner().invoke(main, [name, "--help"])
    assert shown.exit_code == 0
    assert re.search(rf"Examples?:\n(.*\n)*?\s+(\$ )?motorfit {name}\b", shown.output)
    assert f"```{{command-help}} {name}\n" in (DOCS / "commands.md").read_text("utf-8")
