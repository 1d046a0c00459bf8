"""A backlog of log text, read, followed and decided in one go: seconds in all and the share of each stage.

python -m tests.bench.backlog [--lines 1000000] [--machines 10]
"""

import argparse
import cProfile
import os
import pstats
import resource
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from tests.bench.shop import LINES_A_PART, make_cell, write_history

STAGES = {
    "reading lines": ("reading/",),
    "resolving and doubts": ("resolve.py", "trust.py"),
    "finding new text": ("intake.py",),
    "store": ("ledger/", "sqlalchemy", "sqlite"),
    "causes": ("weighing.py", "hypotheses.py", "stretch.py", "suspects.py", "feedback/common.py"),
    "trend": ("trend/", "statsmodels", "scipy", "numpy", "follow.py", "series.py", "effect.py"),
    "evidence and rules": ("rules/", "evidence.py", "cause.py", "answers.py", "desk.py", "processing.py", "screen.py"),
}


def main() -> None:
    options = argparse.ArgumentParser()
    options.add_argument("--lines", type=int, default=1_000_000)
    options.add_argument("--machines", type=int, default=10)
    asked, _ = options.parse_known_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "cell"
        make_cell(folder, asked.machines)
        parts = asked.lines // LINES_A_PART // asked.machines
        for i in range(asked.machines):
            write_history(folder, f"M{i + 1}", parts, i, datetime(2026, 1, 5, 6, 0, tzinfo=UTC))
        plain_s, cpu_s = run(folder)
        peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        for path in (folder / "state").iterdir():
            path.unlink()
        profile = cProfile.Profile()
        profile.enable()
        profiled_s, _ = run(folder)
        profile.disable()
    lines = parts * LINES_A_PART * asked.machines
    print(f"backlog: {lines} lines, {parts * asked.machines} parts, {asked.machines} machines, one process")
    print(f"  {plain_s:.1f} s in all, {plain_s / lines * 1e6:.1f} us a line, peak memory {peak_mb:.0f} MB")
    print(f"  {cpu_s:.1f} s of them on the processor; more than these only wait for it or for the disk")
    print("  (goal: 60 s a million lines)")
    print(f"  share of each stage (own time under the profiler, which took {profiled_s:.1f} s):")
    for stage, seconds in shares(profile).items():
        print(f"    {stage:<24} {100 * seconds / profiled_s:5.1f} %")


def run(folder: Path) -> tuple[float, float]:
    """Seconds by the clock and on the processor."""
    from feedback.cell import open_cell

    began, used = time.perf_counter(), time.process_time()
    with open_cell(folder) as cell:
        cell.process()
    return time.perf_counter() - began, time.process_time() - used


def shares(profile: cProfile.Profile) -> dict[str, float]:
    """Own seconds by stage; what no stage names is `other`. Built-in functions count to whoever called them."""
    found = dict.fromkeys([*STAGES, "other"], 0.0)
    for (file, _, _), (_, _, own, _, callers) in pstats.Stats(profile).stats.items():  # type: ignore[attr-defined]
        if file == "~":
            for (caller, _, _), (_, _, seconds, _) in callers.items():
                found[stage_of(caller)] += seconds
        else:
            found[stage_of(file)] += own
    return found


def stage_of(file: str) -> str:
    return next((stage for stage, marks in STAGES.items() if any(mark in file for mark in marks)), "other")


if __name__ == "__main__":
    main()
