"""How long a log of ten million rows takes, beside pandas that merely reads it.

python tests/benchmarks/logs.py

The log is of an invented machine that coasts down on a resistor: time, voltage and current
at 50,000 rows a second, with hum, noise and the clock of a computer. pandas reads it whole
with its C engine and its usual options, motorfit reads the bench and fits it; both in one
process in turn, the best of several runs each, without their imports. The peak of memory is
that of a process of its own that does motorfit's part alone (VmHWM).

Two logs: one in which the machine coasts nearly to its end, and one in which it soon stands
still. Of both it is said how much of the information on friction the averages keep: the
least of any combination of starting speed, dry friction and viscous friction.
"""

import argparse
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.linalg import eigh

import motorfit
from motorfit.arrays import FloatArray
from motorfit.bench.records import Run
from motorfit.machine.brushed import BrushedMachine
from motorfit.machine.coasting import CoastDown, coast_down, coasting_time

ALLOWED_RATIO, ALLOWED_MEMORY, ALLOWED_LOSS = 2.5, 1e9, 0.01

MACHINE = BrushedMachine(
    emf_constant=0.08,
    armature_resistance=0.8,
    brush_drop=0.8,
    coulomb_torque=0.03,
    viscous_coefficient=5e-5,
)
START, LOAD = 300.0, 22.0  # [rad/s], [ohm]
STEP, FIRST_STAMP = 2e-5, 1_700_000_000  # [s]
CHUNK = 500_000
SETTINGS = """
[machine]
name = "invented motor with a flywheel"
moment_of_inertia = "{inertia:.4g} kg m2 +- 2 %"
[instruments.voltage]
accuracy = "0.5 % + 2 digits"
[instruments.current]
accuracy = "1 % + 3 digits"
"""
#: Readings by which the voltage of the log is a speed, of the same machine.
OPEN_CIRCUIT = "speed (rad/s),voltage (V)\n100,8.00\n200,16.00\n300,24.00\n"
LOADED = """speed (rad/s),voltage (V),current (A)
100,6.40,1.00
200,12.80,3.00
300,18.40,6.00
"""
ALONE = """
import sys
import motorfit
motorfit.fit(motorfit.read_bench(sys.argv[1]))
with open("/proc/self/status") as status:
    print(next(line.split()[1] for line in status if line.startswith("VmHWM")))
"""


def inertia_for(duration: float) -> float:
    """With which the machine stops after so long; its stop is proportional to it."""
    return duration / float(coasting_time(MACHINE, 1.0, START, load=LOAD))


def coasting(machine: BrushedMachine, inertia: float, start: float, length: float) -> CoastDown:
    return coast_down(machine, inertia, start, np.linspace(0, length, 50_001), load=LOAD)


def write_bench(folder: Path, rows: int, share: float) -> None:
    """A bench folder with one log, of whose time the machine coasts a share."""
    length = rows * STEP
    inertia = inertia_for(share * length)
    folder.mkdir()
    settings = SETTINGS.format(inertia=inertia)
    (folder / "machine.toml").write_text(settings)
    (folder / "open-circuit.csv").write_text(OPEN_CIRCUIT)
    (folder / "load.csv").write_text(LOADED)
    course = coasting(MACHINE, inertia, START, length)
    coarse = np.linspace(0, length, 50_001)
    rng = np.random.default_rng(20240501)
    with (folder / "coast-down.csv").open("wb") as file:
        file.write(b"time (s),voltage (V),current (A)\n")
        for first in range(0, rows, CHUNK):
            number = np.arange(first, min(first + CHUNK, rows))
            moment = number * STEP
            hum = 0.02 * np.sin(2 * np.pi * 50 * moment)
            noise = rng.standard_normal((2, len(number)))
            volts = np.interp(moment, coarse, course.voltage) + hum + 0.03 * noise[0]
            amps = -np.interp(moment, coarse, course.current) + 0.002 * noise[1]
            columns = [written(number * 2 + 10**5 * FIRST_STAMP, 5)]
            columns += [written(np.rint(volts * 1000), 3), written(np.rint(amps * 1e4), 4)]
            file.write(lines(columns))


def written(digits: FloatArray, decimals: int) -> FloatArray:
    """Numbers of a last decimal place as bytes, a line each; zero bytes for what is blank."""
    rest = np.abs(digits).astype(np.int64)
    width = max(len(str(rest.max())), decimals + 1)
    cells = np.zeros((len(rest), width + 2), np.uint8)
    for place in range(width + 1, 0, -1):
        if place == width + 1 - decimals:
            cells[:, place] = ord(".")
            continue
        needed = (rest > 0) | (place >= width - decimals)
        cells[:, place] = np.where(needed, ord("0") + rest % 10, 0)
        rest //= 10
    cells[:, 0] = np.where(np.asarray(digits) < 0, ord("-"), 0)
    return cells


def lines(columns: list[FloatArray]) -> bytes:
    comma = np.full((len(columns[0]), 1), ord(","), np.uint8)
    end = np.full((len(columns[0]), 1), ord("\n"), np.uint8)
    parts = [part for column in columns for part in (column, comma)][:-1]
    cells = np.concatenate([*parts, end], axis=1).ravel()
    return cells[cells > 0].tobytes()


def information_kept(run: Run, rows: int, share: float) -> float:
    """The least that averages keep of what all samples of the voltage tell."""
    length = rows * STEP
    inertia = inertia_for(share * length)

    def voltage(start: float, coulomb: float, viscous: float) -> FloatArray:
        machine = BrushedMachine(
            **{
                **{name: getattr(MACHINE, name) for name in MACHINE.__dataclass_fields__},
                "coulomb_torque": coulomb,
                "viscous_coefficient": viscous,
            }
        )
        return coasting(machine, inertia, start, length).voltage

    here = (START, MACHINE.coulomb_torque, MACHINE.viscous_coefficient)
    gradients = []
    for number, value in enumerate(here):
        either = [list(here), list(here)]
        either[0][number], either[1][number] = 1.001 * value, 0.999 * value
        gradients.append((voltage(*either[0]) - voltage(*either[1])) / 0.002)
    coarse, moments = np.linspace(0, length, 50_001), np.arange(rows) * STEP
    every = [np.interp(moments, coarse, gradient) for gradient in gradients]
    count = run.blocks.count
    begins = np.concatenate([[0], np.cumsum(count)[:-1]])
    means = np.stack([np.add.reduceat(gradient, begins) / count for gradient in every])
    whole = np.array([[float(a @ b) for b in every] for a in every])
    return float(eigh((means * count) @ means.T, whole, eigvals_only=True).min())


def in_turn(runs: int, *calls: Callable[[], object]) -> list[list[float]]:
    times: list[list[float]] = [[] for _ in calls]
    for _ in range(runs):
        for call, into in zip(calls, times, strict=True):
            began = time.perf_counter()
            call()
            into.append(time.perf_counter() - began)
    return times


def peak_memory(folder: Path) -> float:
    """VmHWM of a process that does nothing else. [B]"""
    command = [sys.executable, "-c", ALONE, str(folder)]
    return 1024.0 * int(subprocess.run(command, capture_output=True, check=True).stdout)


def import_everything(folder: Path) -> None:
    """What is imported on first use is imported before the clock runs."""
    write_bench(folder, 30_000, 0.9)
    motorfit.fit(motorfit.read_bench(folder))


def compare(folder: Path, rows: int, runs: int) -> tuple[float, float]:
    log = folder / "coast-down.csv"
    whole, fitted, read = in_turn(
        runs,
        lambda: pd.read_csv(log),
        lambda: motorfit.fit(motorfit.read_bench(folder)),
        lambda: motorfit.read_bench(folder),
    )
    ratio = min(fitted) / min(whole)
    memory = peak_memory(folder)
    print(f"{rows:,} rows, {log.stat().st_size / 1e6:.0f} MB")
    for name, times in (
        ("pandas reads it whole", whole),
        ("motorfit reads and fits it", fitted),
        ("motorfit reads it", read),
    ):
        print(f"  {name}: {min(times):.2f} s (of {', '.join(f'{each:.2f}' for each in times)})")
    print(f"  ratio {ratio:.2f}, allowed {ALLOWED_RATIO}")
    print(f"  peak memory {memory / 1e6:.0f} MB, allowed {ALLOWED_MEMORY / 1e6:.0f} MB")
    return ratio, memory


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=10_000_000)
    parser.add_argument("--runs", type=int, default=5)
    options = parser.parse_args()
    good = True
    with tempfile.TemporaryDirectory() as temporary:
        import_everything(Path(temporary) / "first")
        for share in (0.95, 0.01):
            folder = Path(temporary) / f"coasting-{share}"
            write_bench(folder, options.rows, share)
            print(f"coasting for {100 * share:g} % of the log:", end=" ")
            ratio, memory = compare(folder, options.rows, options.runs)
            (run,) = motorfit.read_bench(folder).of_kind("coast-down")
            lost = 1.0 - information_kept(run, options.rows, share)
            print(f"  {len(run):,} averages lose {100 * lost:.4f} % of the information")
            good &= ratio <= ALLOWED_RATIO and memory < ALLOWED_MEMORY and lost < ALLOWED_LOSS
            (folder / "coast-down.csv").unlink()
    return 0 if good else 1


if __name__ == "__main__":
    raise SystemExit(main())
