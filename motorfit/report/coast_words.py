"""Coast-downs and other logs in words: counts, and which sheet they are."""

from __future__ import annotations

from motorfit.bench.kinds import Kind
from motorfit.bench.records import Run
from motorfit.estimation.coast_result import CoastDown
from motorfit.estimation.result import Fit
from motorfit.estimation.retardation import Retardation
from motorfit.report.words import count_of, listed, rounded

#: Sheets that hold logs: their readings follow one another and are no readings of their own.
_LOGS: tuple[Kind, ...] = ("coast-down", "heat-run")

#: What a fit was made from of whose sheets nothing could be used.
_NOTHING = "nothing that could be used"


def sheet_of(fit: Fit, coasted: CoastDown) -> Run:
    """The sheet of a coast-down."""
    return next(
        run
        for run in fit.bench.runs
        if run.kind == "coast-down" and run.source.name == coasted.file
    )


def worth(found: Retardation) -> str:
    """How many independent samples would say as much; never more than there are."""
    if found.effective > 0.95 * found.samples:
        return str(found.samples)
    return rounded(found.effective, 2)


def samples_of(run: Run) -> int:
    """Samples in a log, those behind its means too."""
    return len(run) if run.blocks is None else run.blocks.samples


def _logs_used(fit: Fit, kind: Kind) -> list[Run]:
    """The logs of a kind from which something could be had."""
    runs = [run for run in fit.bench.of_kind(kind) if len(run)]
    if kind == "heat-run":
        return runs if fit.heating is not None else []
    used = {one.file for one in fit.coast_downs if not one.problem}
    return [run for run in runs if run.source.name in used]


def counts_without_logs(fit: Fit) -> dict[str, int]:
    """Used readings a file, logs apart."""
    logs = {run.source.name: len(run) for run in fit.bench.of_kind(*_LOGS)}
    left = {name: number - logs.get(name, 0) for name, number in fit.counts.items()}
    return {name: number for name, number in left.items() if number > 0}


def logs_counted(fit: Fit) -> list[str]:
    """The logs of a fit: "4 coast-downs (540 samples)", "1 heat run (37 samples)"."""
    said = []
    for kind in _LOGS:
        runs = _logs_used(fit, kind)
        if runs:
            samples = count_of(sum(map(samples_of, runs)), "sample")
            said.append(f"{count_of(len(runs), kind.replace('heat-run', 'heat run'))} ({samples})")
    return said


def made_from(fit: Fit) -> str:
    """Readings and logs in a few words.

    Logs by themselves do not count as readings.
    """
    readings = sum(counts_without_logs(fit).values())
    parts = ([count_of(readings, "reading")] if readings else []) + logs_counted(fit)
    return "; ".join(parts) or _NOTHING


def sheets_and_logs(fit: Fit) -> str:
    """The same with the sheets named: "31 readings: 12 in load.csv and 19 in ...; 1 heat run"."""
    counts = counts_without_logs(fit)
    total = count_of(sum(counts.values()), "reading")
    if len(counts) == 1:
        sheets = [f"{total} in {next(iter(counts))}"]
    else:
        files = listed(f"{number} in {name}" for name, number in counts.items()) if counts else ""
        sheets = [f"{total}: {files}"] if counts else []
    return "; ".join([*sheets, *logs_counted(fit)]) or _NOTHING


def readings_and_logs(fit: Fit) -> str:
    """Without samples: "31 readings and 5 logs"."""
    readings = sum(counts_without_logs(fit).values())
    logs = sum(len(_logs_used(fit, kind)) for kind in _LOGS)
    parts = ([count_of(readings, "reading")] if readings else []) + (
        [count_of(logs, "log")] if logs else []
    )
    return listed(parts) if parts else count_of(0, "reading")
