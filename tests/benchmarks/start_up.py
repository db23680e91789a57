"""How long a command takes to start, beside the imports it cannot do without.

python tests/benchmarks/start_up.py

Each side is a process of its own, interpreter start included; the best of several runs,
the two sides in turn, so that whatever else the computer does strikes both. The ratio by
the clock counts; on a busy computer that of the processor's time is the steadier one.
"""

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from motorfit.simulation.demo import write_demo

PYTHON = sys.executable


@dataclass(frozen=True)
class Cost:
    clock: float  # [s]
    processor: float  # [s]; zero on systems that do not tell it of a child


def cost(command: list[str]) -> Cost:
    before, began = os.times(), time.perf_counter()
    subprocess.run(command, check=True, capture_output=True)
    clock, after = time.perf_counter() - began, os.times()
    user = after.children_user - before.children_user
    return Cost(clock, user + after.children_system - before.children_system)


def best(costs: Iterable[Cost]) -> Cost:
    """The least of each: anything above it is somebody else's work."""
    costs = list(costs)
    return Cost(min(each.clock for each in costs), min(each.processor for each in costs))


def report(name: str, ours: list[str], theirs: list[str], *, allowed: float, runs: int) -> bool:
    pairs = [(cost(ours), cost(theirs)) for _ in range(runs + 1)][1:]  # the first warms up
    mine, yours = (best(side) for side in zip(*pairs, strict=True))
    print(f"{name}")
    for words, one, other in (
        ("by the clock", mine.clock, yours.clock),
        ("of the processor", mine.processor, yours.processor),
    ):
        if other:
            print(f"  {words}: {1000 * one:.0f} ms, ratio {one / other:.2f}")
    print(f"  beside `{' '.join(['python', *theirs[1:]])}`: {1000 * yours.clock:.0f} ms by the")
    print(f"  clock, {1000 * yours.processor:.0f} ms of the processor; allowed ratio {allowed:g}")
    return mine.clock / yours.clock <= allowed


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
