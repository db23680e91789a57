"""The group turns whatever happens into a message and an exit code."""

import os
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

import motorfit
from motorfit.cli import COMMANDS, main
from motorfit.cli.group import CommandGroup
from motorfit.errors import BenchError


def run_raising(monkeypatch, error):
    """What `motorfit trip` gives when its command raises ``error``."""

    @click.command()
    def trip() -> None:
        raise error

    monkeypatch.setattr(CommandGroup, "get_command", lambda *_: trip)
    return CliRunner().invoke(CommandGroup({"trip": ("", "")}), ["trip"])


def test_help_names_every_command():
    shown = CliRunner().invoke(main, ["--help"])
    assert shown.exit_code == 0
    assert all(f"\n  {name} " in shown.output for name in COMMANDS)


def test_motorfit_alone_shows_the_help():
    shown = CliRunner().invoke(main, [])
    assert (shown.exit_code, shown.output.split()[0]) == (0, "Usage:")


def test_version():
    assert motorfit.__version__ in CliRunner().invoke(main, ["--version"]).output


def test_help_imports_click_and_no_numbers():
    """What makes the help instant: none of the libraries that calculate is imported."""
    code = (
        "import sys; from motorfit.cli import main; main(['--help'], standalone_mode=False);"
        "heavy = {'numpy', 'pandas', 'scipy', 'rich', 'jinja2', 'pydantic'} & set(sys.modules);"
        "sys.exit(f'{heavy}' if heavy else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.stderr == ""


def test_bad_input_is_its_message_and_2(monkeypatch):
    result = run_raising(monkeypatch, BenchError("load.csv, row 3: found 'x'"))
    assert (result.exit_code, result.stderr) == (2, "load.csv, row 3: found 'x'\n")


def test_a_file_that_fails_is_named_and_2(monkeypatch):
    result = run_raising(monkeypatch, PermissionError(13, "Permission denied", "load.csv"))
    assert result.exit_code == 2
    assert result.stderr.startswith("load.csv: Permission denied. Check that")


def test_an_error_of_our_own_is_3_with_a_file_to_report(monkeypatch, tmp_path):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    result = run_raising(monkeypatch, KeyError("k"))
    assert result.exit_code == 3
    assert "Traceback" not in result.output
    (report,) = tmp_path.glob("motorfit-error-*.txt")
    assert str(report) in result.stderr
    assert "KeyError: 'k'" in report.read_text("utf-8")


def test_ctrl_c_stops_quietly(monkeypatch):
    result = run_raising(monkeypatch, KeyboardInterrupt())
    assert (result.exit_code, result.stderr) == (130, "\nStopped.\n")


@pytest.mark.parametrize(
    ("typed", "hint"), [("fti", "Did you mean fit"), ("qqqq", "There are demo")]
)
def test_a_mistyped_command_names_the_nearest(typed, hint):
    result = CliRunner().invoke(main, [typed])
    assert result.exit_code == 2
    assert hint in result.stderr


LONG_HELP = "from motorfit.cli import main; main.help = 'word ' * 90000; main()"


@pytest.mark.skipif(os.name == "nt", reason="Windows has no SIGPIPE and no head")
def test_a_closed_pipe_ends_quietly():
    """The help is longer than a pipe holds (64 KiB), so the reader is gone while it is written."""
    with subprocess.Popen(
        [sys.executable, "-c", LONG_HELP], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        process.stdout.close()
        assert process.stderr.read() == b""
    assert process.returncode == 141


def test_output_survives_a_console_without_unusual_characters(tmp_path):
    script = tmp_path / "ohm.py"
    script.write_text(
        "from motorfit.cli import main; main.help = 'winding \\u03a9 \\u2013 ok'; main()", "utf-8"
    )
    environment = {**os.environ, "PYTHONIOENCODING": "cp1252"}
    shown = subprocess.run([sys.executable, str(script)], capture_output=True, env=environment)
    assert shown.returncode == 0
    assert b"winding ? \x96 ok" in shown.stdout


def test_python_m_motorfit_is_motorfit():
    shown = subprocess.run(
        [sys.executable, "-m", "motorfit", "--version"], capture_output=True, text=True
    )
    assert shown.stdout == f"motorfit, version {motorfit.__version__}\n"
    assert Path(motorfit.__file__).with_name("__main__.py").exists()
