"""From a file renamed into the log folder to the stored proposal or decision, with little and with much history.

python -m tests.bench.latency [--readings 1000 1000000] [--files 200]
"""

import argparse
import os
import tempfile
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from tests.bench.shop import READINGS_A_PART, make_cell, part_texts, write_history

START = datetime(2026, 1, 5, 6, 0, tzinfo=UTC)


def main() -> None:
    options = argparse.ArgumentParser()
    options.add_argument("--readings", type=int, nargs="+", default=[1_000, 1_000_000])
    options.add_argument("--files", type=int, default=200)
    asked, _ = options.parse_known_args()
    print("latency: file renamed into the folder -> decision and proposal committed; watching daemon, a part a file")
    print(
        f"  {'readings of history':>20} {'median ms':>10} {'p95 ms':>8} {'max ms':>8}   (goal: p95 <= 50, ratio <= 1.2)"
    )
    p95s = []
    for readings in asked.readings:
        times = sorted(measure(readings, asked.files))
        p95s.append(times[int(0.95 * len(times))])
        print(f"  {readings:>20} {times[len(times) // 2]:>10.1f} {p95s[-1]:>8.1f} {times[-1]:>8.1f}")
    print(f"  ratio of the p95s, most to least history: {p95s[-1] / p95s[0]:.2f}")


def measure(readings: int, files: int) -> list[float]:
    """Milliseconds for each of `files` files."""
    from feedback.cell import open_cell
    from feedback.daemon import watch

    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "cell"
        make_cell(folder, 1)
        parts = readings // READINGS_A_PART
        write_history(folder, "M1", parts, 1, START)
        with open_cell(folder) as cell:
            cell.process()
            done, stop = threading.Event(), threading.Event()

            def after_look(_: dict[str, Any]) -> None:
                done.set()

            daemon = threading.Thread(
                target=watch, args=(cell, stop), kwargs={"rescan_s": 5.0, "after_look": after_look}
            )
            daemon.start()
            time.sleep(0.5)
            times = []
            texts = part_texts(files, 2, START + timedelta(minutes=6 * parts), first=parts + 1)
            for i, text in enumerate(texts):
                done.clear()
                made = folder / f"part{i}.txt"
                made.write_text(text)
                began = time.perf_counter()
                made.rename(folder / "logs" / "M1" / f"part{i:06}.txt")
                if not done.wait(timeout=20):
                    raise SystemExit(f"file {i} was not taken within 20 s")
                times.append(1000 * (time.perf_counter() - began))
            stop.set()
            daemon.join()
    return times


if __name__ == "__main__":
    main()
