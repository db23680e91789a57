"""How long a command takes to start, beside the imports it cannot do without.

python tests/benchmarks/start_up.py

Each side is a process of its own, interpreter start included; the best of several runs,
the two sides in turn, so that whatever else the computer does strikes both.
"""

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from motorfit.simulation.demo import write_demo

PYTHON = sys.executable


def seconds(command: list[str]) -> float:
    began = time.perf_counter()
    subprocess.run(command, check=True, capture_output=True)
    return time.perf_counter() - began


def best_of_both(ours: list[str], theirs: list[str], runs: int) -> tuple[float, float]:
    pairs = [(seconds(ours), seconds(theirs)) for _ in range(runs + 1)][1:]  # the first warms up
    mine, yours = zip(*pairs, strict=True)
    return min(mine), min(yours)


def report(name: str, ours: list[str], theirs: list[str], *, allowed: float, runs: int) -> bool:
    mine, yours = best_of_both(ours, theirs, runs)
    print(f"{name}: {1000 * mine:.0f} ms")
    print(f"  beside `{' '.join(['python', *theirs[1:]])}`: {1000 * yours:.0f} ms")
    print(f"  ratio {mine / yours:.2f}, allowed {allowed:g}")
    return mine / yours <= allowed


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=15)
    runs = parser.parse_args().runs
    # the command itself, as it is installed: its start counts, too
    motorfit = str(Path(PYTHON).with_name("motorfit" + (".exe" if os.name == "nt" else "")))
    with tempfile.TemporaryDirectory() as folder:
        demo = Path(folder) / "demo"
        write_demo(demo)
        fine = [
            report(
                "motorfit --help",
                [motorfit, "--help"],
                [PYTHON, "-c", "import click"],
                allowed=2.0,
                runs=runs,
            ),
            report(
                "motorfit fit DEMO",
                [motorfit, "fit", str(demo)],
                [PYTHON, "-c", "import numpy, scipy.optimize, pandas, lmfit"],
                allowed=1.5,
                runs=runs,
            ),
        ]
    return 0 if all(fine) else 1


if __name__ == "__main__":
    raise SystemExit(main())
