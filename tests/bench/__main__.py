"""All tables, or those named: python -m tests.bench [--long] [NAME ...]

Without names, those that take minutes; with `--long` also those that take a quarter of an hour and more each. One after
the other, each in a process of its own: some tell their peak memory, and two at once would spoil each other's times.
"""

import argparse
import subprocess
import sys
import time

QUICK = ("status", "latency", "memory", "backlog", "board", "replay")
LONG = ("control", "front", "causes")


def main() -> None:
    options = argparse.ArgumentParser(prog="python -m tests.bench")
    options.add_argument("--long", action="store_true", help=f"also {', '.join(LONG)}")
    options.add_argument("name", nargs="*", help=f"any of {', '.join((*QUICK, *LONG))}; none: {', '.join(QUICK)}")
    asked = options.parse_args()
    if unknown := set(asked.name) - {*QUICK, *LONG}:
        options.error(f"found {', '.join(sorted(unknown))}; wanted any of {', '.join((*QUICK, *LONG))}")
    failed = [name for name in asked.name or (*QUICK, *(LONG if asked.long else ())) if not _runs(name)]
    if failed:
        sys.exit(f"did not finish: {', '.join(failed)}")


def _runs(name: str) -> bool:
    began = time.perf_counter()
    done = subprocess.run([sys.executable, "-m", f"tests.bench.{name}"], check=False).returncode == 0
    print(f"  {name}: {(time.perf_counter() - began) / 60:.1f} minutes\n", flush=True)
    return done


if __name__ == "__main__":
    main()
