"""Runs programs on the RS274/NGC interpreter, which is not ours: what would a control really do with this text?

It plays an inch machine whatever the program's unit. Every run has its own home folder, because the interpreter keeps
its tool table there and runs side by side would otherwise mix. All values here are millimetres or degrees.
"""

import os
import platform
import re
import subprocess
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path

import pytest

from feedback.registers import Register, register, tool_register, work_register

PLACE = Path(__file__).parents[2] / ".judges" / "rs274"

SYSTEMS = ("54", "55", "56", "57", "58", "59", "59.1", "59.2", "59.3")  # NISTIR 6556, 3.2.2: P1 to P9
AXES = "XYZABC"
TOOLS = (1, 5, 7)

State = Mapping[Register, Decimal]


@dataclass(frozen=True)
class Run:
    """What came of one program. `after` is None when it stopped before its end."""

    returncode: int
    lines: tuple[str, ...]
    complaint: str
    stored: str  # the parameter file, as left behind
    after: Mapping[Register, float] | None
    modal: str

    @property
    def done_by_snippet(self) -> list[str]:
        """What the machine was told between the marks, without comments and the reset with which every run ends."""
        start = self.lines.index(BEGIN) + 1
        end = self.lines.index(END) if END in self.lines else len(self.lines)
        orders = [re.sub(r"^ *\d+ N\.+ ", "", line) for line in self.lines[start:end]]
        return [
            order
            for order in orders
            if re.match("[A-Z_]+[(]", order) and not order.startswith(("COMMENT(", "ON_RESET("))
        ]


BEGIN, END = "SNIPPET BEGINS", "SNIPPET ENDS"


def parameter(found: Register) -> int:
    """Where a work offset is kept: 5221 + 20 (P - 1) + axis; NISTIR 6556, table 2."""
    return 5221 + 20 * SYSTEMS.index(found.owner.removeprefix("work ")) + AXES.index(found.axis)


def every_register() -> list[Register]:
    """All work offsets and the length and radius of each tool."""
    offsets = [work_register(system, axis) for system in SYSTEMS for axis in AXES]
    return offsets + [tool_register(tool, kind) for tool in TOOLS for kind in ("length", "radius")]


def ordinary_state() -> dict[Register, Decimal]:
    """A different value in every register, so that nothing can move unnoticed."""
    return {found: Decimal(index) + Decimal("0.125") for index, found in enumerate(every_register(), 1)}


def run_snippet(snippet: str, state: State, *, modal: str = "G21 G90", loaded: int = 5) -> Run:
    """Runs the inside of `snippet` with the registers set to `state`, then reads every register back."""
    inside = [line for line in snippet.splitlines() if line not in ("%", "M2")]
    return run(
        [*_set(state), f"T{loaded} M6", modal, f"(print,{BEGIN})", *inside, f"(print,{END})", *_read_all(), "M2"],
    )


def run(lines: Sequence[str], stored: str = "") -> Run:
    """Runs a whole program on a machine whose parameter file holds `stored`."""
    with tempfile.TemporaryDirectory(prefix="rs274.") as home:
        folder = Path(home)
        (folder / "run.ngc").write_text("\n".join(lines) + "\n", encoding="ascii")
        (folder / "run.tbl").write_text("".join(f"T{tool} P{tool}\n" for tool in TOOLS), encoding="ascii")
        (folder / "run.var").write_text(stored, encoding="ascii")
        done = subprocess.run(
            [program(), "-g", "-v", "run.var", "-t", "run.tbl", "run.ngc"],
            cwd=folder,
            env=_environment(folder),
            capture_output=True,
            text=True,
            timeout=30,
            stdin=subprocess.DEVNULL,
        )
        return _run(done, (folder / "run.var").read_text(encoding="ascii"))


def program() -> Path:
    """The interpreter; fails with words when it is not there."""
    found = PLACE / "usr" / "bin" / "rs274"
    if not found.exists():
        pytest.fail("found no RS274/NGC interpreter in .judges; run tests/setup_judges", pytrace=False)
    return found


def _environment(home: Path) -> dict[str, str]:
    libraries = PLACE / "usr" / "lib"
    path = f"{libraries}:{libraries / (platform.machine() + '-linux-gnu')}"
    return {**os.environ, "HOME": str(home), "LD_LIBRARY_PATH": path}


def _set(state: State) -> list[str]:
    """Sets every register of `state`, in millimetres and absolute."""
    lines = ["G21", "G90"]
    for found, value in state.items():
        if found.kind == "tool":
            lines.append(f"G10 L1 P{found.tool} {'Z' if found.axis == 'length' else 'R'}{value}")
        else:
            lines.append(f"G10 L2 P{SYSTEMS.index(found.owner.removeprefix('work ')) + 1} {found.axis}{value}")
    return lines


def _read_all() -> list[str]:
    """Prints every register in micrometres or millidegrees, so that six decimals are enough."""
    lines = ["(print,MODAL inch=#<_imperial> incremental=#<_incremental>)"]
    for found in every_register():
        if found.kind != "tool":
            lines += _show(found, f"#{parameter(found)} * {1000 if found.kind == 'rotary' else 25400}")
    for tool in TOOLS:
        lines.append(f"T{tool} M6")
        lines += _show(tool_register(tool, "length"), "#5403 * 25400")
        lines += _show(tool_register(tool, "radius"), "#5410 / 2 * 25400")  # 5410 holds the diameter
    return lines


def _show(found: Register, expression: str) -> list[str]:
    return [f"#<shown> = [{expression}]", f"(print,HOLDS {found}: #<shown>)"]


def _run(done: subprocess.CompletedProcess[str], stored: str) -> Run:
    lines = tuple(line.strip() if line.startswith(("SNIPPET", "HOLDS")) else line for line in done.stdout.splitlines())
    held = [line.removeprefix("HOLDS ").split(": ") for line in lines if line.startswith("HOLDS ")]
    modal = [line for line in lines if line.startswith("MODAL ")]
    return Run(
        returncode=done.returncode,
        lines=lines,
        complaint=done.stderr,
        stored=stored,
        after={register(name): float(value) / 1000 for name, value in held} or None,
        modal=modal[0] if modal else "",
    )
