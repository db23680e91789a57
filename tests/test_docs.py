"""What README.md and docs/ tell people to type is run, page by page, in a folder of its own."""

import ast
import re
import shlex
import tomllib
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

import pytest
from click.testing import CliRunner

from motorfit.bench.default_instruments import HANDHELD
from motorfit.cautions import CAUTIONS
from motorfit.cli import main

ROOT = Path(__file__).parents[1]
README = ROOT / "README.md"
FIRST_BENCH = ROOT / "docs" / "first-bench.md"
PAGES = [README, *sorted((ROOT / "docs").rglob("*.md"))]
DRAWINGS = sorted((ROOT / "docs" / "_static").glob("*.svg"))
RUN_HERE = {"console", "python"}
NOT_RUN = {"text", "toml", "json", "powershell", "bash"}  # bash and powershell: see below


@dataclass(frozen=True)
class Block:
    """One fenced block: what stands behind its fence, and within."""

    kind: str
    argument: str
    text: str

    @property
    def file(self) -> str | None:
        """The file whose content the block shows, by its caption."""
        match = re.match(r":caption: (\S+)\n\n", self.text)
        return match[1] if match else None


def blocks_of(page):
    fences = re.findall(
        r"^```(\S+) ?([^\n]*)\n(.*?)^```$", page.read_text("utf-8"), re.MULTILINE | re.DOTALL
    )
    return [Block(*fence) for fence in fences]


def write_readings(page):
    """Write the files that a page shows with their name."""
    for block in filter(lambda block: block.file, blocks_of(page)):
        Path(block.file).write_text(block.text.split("\n\n", 1)[1], "utf-8")


def run_commands(text):
    for line in text.splitlines():
        if line.startswith("$ motorfit "):
            result = CliRunner().invoke(main, shlex.split(line)[2:])
            assert result.exit_code == 0, f"{line}\n{result.output}"
        else:
            assert not line.startswith("$"), f"a command that is not motorfit's: {line}"


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.relative_to(ROOT).as_posix())
def test_what_a_page_says_can_be_typed(page, tmp_path, monkeypatch):
    """In order, within one folder, as a reader would; sheets are filled in as the page shows."""
    monkeypatch.chdir(tmp_path)
    names = {}
    for block in blocks_of(page):
        if block.kind == "console":
            run_commands(block.text)
            if page in (README, FIRST_BENCH) and "motorfit sheets" in block.text:
                write_readings(FIRST_BENCH)
        elif block.kind.startswith("{screen}"):
            run_commands(f"$ motorfit {block.argument}")
        elif block.kind == "python":
            exec(compile(block.text, f"{page.name}, python", "exec"), names)
        else:
            assert block.kind in NOT_RUN or block.kind.startswith("{"), block.kind


def environment_commands(kind):
    (block,) = [block for block in blocks_of(README) if block.kind == kind]
    return block.text.splitlines()


def test_readme_has_two_commands_and_ci_runs_the_second():
    """.ci/run takes the line out of README.md by this very pattern."""
    (pattern,) = re.findall(r"grep -E '(.+)' README\.md", (ROOT / ".ci" / "run").read_text())
    _, tests = environment_commands("bash")
    assert re.findall(rf"{pattern}.*", README.read_text("utf-8"), re.MULTILINE) == [tests]
    assert tests.endswith(".venv-test/bin/python -m pytest")


def test_windows_gets_the_same_two_commands():
    def for_windows(command):
        """Each step within the one before: a skipped `if` leaves no failure behind in `$?`."""
        steps = command.replace("python3", "python").replace("/bin/", "\\Scripts\\").split(" && ")
        return "; if ($?) { ".join(steps) + " }" * (len(steps) - 1)

    expected = [for_windows(command) for command in environment_commands("bash")]
    assert environment_commands("powershell") == expected


def test_only_the_readme_has_commands_of_a_shell():
    assert not [page for page in PAGES[1:] for b in blocks_of(page) if b.kind == "bash"]


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.relative_to(ROOT).as_posix())
def test_links_and_pictures_lead_somewhere(page):
    for target in re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", page.read_text("utf-8")):
        assert target.startswith("https://") or (page.parent / target).exists(), target


@pytest.mark.parametrize("drawing", DRAWINGS, ids=lambda path: path.stem)
def test_a_drawing_tells_what_it_shows_and_fits_a_narrow_screen(drawing):
    text = drawing.read_text("utf-8")
    assert re.search(r"<title id=\"title\">\S.+</title>", text)
    assert re.search(r"<desc id=\"desc\">\S.+</desc>", text)
    assert 'viewBox="0 0 360 ' in text
    assert min(int(size) for size in re.findall(r"font(?:-size)?: (\d+)px", text)) >= 13


def test_every_caution_has_its_place_in_the_docs():
    assert len(CAUTIONS) == 13
    assert "```{cautions}\n" in (ROOT / "docs" / "cautions.md").read_text("utf-8")


def test_every_dependency_says_what_it_spares():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    wanted = [*project["dependencies"], *chain(*project["optional-dependencies"].values())]
    names = {re.match(r"[\w-]+", one)[0] for one in wanted} - {"motorfit"}
    table = (ROOT / "DEVELOPERS.md").read_text("utf-8").split("## Dependencies")[1]
    told = re.findall(r"^\| ([\w, -]+) \| \S", table, re.MULTILINE)
    assert {name for line in told for name in line.split(", ")} == names


def test_the_plain_kit_is_told_as_it_is_taken():
    page = (ROOT / "docs" / "bench-folder.md").read_text("utf-8")
    for quantity, (instrument, accuracy) in HANDHELD.items():
        assert re.search(rf"`{quantity}`.*\| {instrument} \| {re.escape(accuracy.text)} \|", page)


def kinds_of_findings():
    """What `Finding(kind="...")` in the source names, as far as it is written out there."""
    for path in (ROOT / "motorfit").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Finding":
                for keyword in node.keywords:
                    if keyword.arg == "kind" and isinstance(keyword.value, ast.Constant):
                        yield keyword.value.value


def test_the_page_of_findings_has_every_kind():
    page = (ROOT / "docs" / "findings.md").read_text("utf-8")
    kinds = set(kinds_of_findings())
    assert len(kinds) > 60  # so many there were when this was written
    assert {kind for kind in kinds if f"`{kind}`" not in page} == set()


LOAD = "speed (rpm),voltage (V),current (A)\n"
SPOILED = {
    "found '5 V', expected a number": ("load.csv", f"{LOAD}1000,5 V,0.4\n"),
    "found 'nan', expected a number": ("load.csv", f"{LOAD}1000,5,nan\n"),
    'found the unit "furlong"': ("load.csv", f"{LOAD}1000,5,0.4\n".replace("(V)", "(furlong)")),
    'found the unit "A"': ("load.csv", f"{LOAD}1000,5,0.4\n".replace("(V)", "(A)")),
    "found no column of voltage": ("load.csv", "speed (rpm),current (A)\n1000,0.4\n"),
    "expected at most 3, as there are headers": ("load.csv", f"{LOAD}1000,5,0,0,4\n"),
    "expected times that do not run backwards": (
        "coast-down.csv",
        "time (s),speed (rpm)\n1,1000\n0,900\n",
    ),
    "expected mass and diameter of the disc": (
        "coast-down.csv",
        "# added disc: 0.5 kg\ntime (s),speed (rpm)\n0,1000\n1,900\n",
    ),
    "expected an efficiency above zero": ("machine.toml", '[drive]\nefficiency = "130 %"\n'),
    "expected a name that begins with a kind of test": ("laod.csv", f"{LOAD}1000,5,0.4\n"),
    "expected a name that says which test it was": ("no-load.csv", f"{LOAD}1000,5,0.4\n"),
    "found a spreadsheet": ("load.xlsx", "PK"),
    "found only sheets that are not filled in": ("load.csv", LOAD),
    'found the unknown key "magent"': ("machine.toml", '[machine]\nname="x"\nmagent="x"\n'),
    "expected an accuracy as in the meter's manual": (
        "kit.toml",
        '[instruments.voltage]\naccuracy="good"\n',
    ),
    "expected a second voltage meter in kit.toml": (
        "load.csv",
        f"# voltage meter: B\n{LOAD}1000,5,0.4\n",
    ),
    "which this release cannot fit by itself": ("zero.csv", "voltage (V)\n0.01\n0.02\n"),
    "nothing could be had from the coast-downs": (
        "coast-down.csv",
        "time (s),voltage (V)\n0,5\n1,4\n",
    ),
}


@pytest.mark.parametrize("says", SPOILED)
def test_the_page_of_errors_quotes_what_is_said(says, tmp_path):
    """Somebody who looks up a message finds it word for word."""
    name, content = SPOILED[says]
    (tmp_path / name).write_text(content, "utf-8")
    result = CliRunner().invoke(main, ["fit", str(tmp_path)])
    assert result.exit_code == 2
    assert says in result.stderr
    assert f"`{says}`" in (ROOT / "docs" / "errors.md").read_text("utf-8")
