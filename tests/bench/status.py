"""`trueup status`, cold: a whole process from nothing to the answer.

python -m tests.bench.status
"""

import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

from tests.bench.shop import make_cell, write_history


def main() -> None:
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "cell"
        make_cell(folder, 4)
        for i in range(4):
            write_history(folder, f"M{i + 1}", 200, i, datetime(2026, 1, 5, 6, 0, tzinfo=UTC))
        run(folder, "process")
        times = sorted(run(folder, "status") for _ in range(15))
        bare = sorted(run(folder, None) for _ in range(15))
    print("trueup status, cold, 4 machines (whole process, 15 runs; goal: <= 250 ms)")
    print(f"  median {times[7]:.0f} ms, slowest {times[-1]:.0f} ms")
    print(f"  an empty Python process: {bare[7]:.0f} ms; ratio {times[7] / bare[7]:.1f}")


def run(folder: Path, command: str | None) -> float:
    """Milliseconds of one process."""
    arguments = ["-c", "pass"] if command is None else ["-m", "feedback", "--cell", str(folder), command]
    began = time.perf_counter()
    done = subprocess.run([sys.executable, *arguments], capture_output=True, check=False)
    if done.returncode not in (0, 3):
        raise SystemExit(done.stderr.decode())
    return 1000 * (time.perf_counter() - began)


if __name__ == "__main__":
    main()
