"""Memory of the watching daemon after it has taken a backlog and some live parts.

python -m tests.bench.memory
"""

import signal
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import psutil

from tests.bench.shop import make_cell, part_texts, write_history

START = datetime(2026, 1, 5, 6, 0, tzinfo=UTC)
PARTS = 5_000


def main() -> None:
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "cell"
        make_cell(folder, 4)
        for i in range(4):
            write_history(folder, f"M{i + 1}", PARTS, i, START)
        said = Path(scratch) / "said.txt"
        with said.open("w") as out:
            daemon = subprocess.Popen(
                [sys.executable, "-m", "feedback", "--cell", str(folder), "watch", "--rescan", "1"],
                stdout=out,
                stderr=subprocess.DEVNULL,
            )
        while not said.stat().st_size:
            time.sleep(0.1)
        process = psutil.Process(daemon.pid)
        after_backlog = process.memory_info().rss / 2**20
        for i, text in enumerate(part_texts(50, 9, START + timedelta(minutes=6 * PARTS), first=PARTS + 1)):
            (folder / "logs" / "M1" / f"live{i:03}.txt").write_text(text)
            time.sleep(0.1)
        time.sleep(2)
        live = process.memory_info().rss / 2**20
        daemon.send_signal(signal.SIGTERM)
        daemon.wait(timeout=20)
    print(f"memory of the daemon (4 machines, {4 * PARTS} parts of backlog, then 50 live parts; goal: <= 250 MB)")
    print(f"  resident after the backlog {after_backlog:.0f} MB, after the live parts {live:.0f} MB")


if __name__ == "__main__":
    main()
