"""Stories of changes that several tools show at once."""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

import feedback
from feedback.simulate.faults import single_fault
from feedback.simulate.writer import write_cell

START = datetime(2026, 1, 5, 6, 0, tzinfo=UTC)
FAULT_AT = 30


def run(folder: Path, fault: str, size: float, parts: int, seed: int = 1) -> tuple[feedback.Cell, list[dict[str, Any]]]:
    """A cell in which `fault` strikes at part number 30, fed part by part; the answers of every part."""
    cell = write_cell(folder, single_fault(fault, size=size, at=FAULT_AT), parts=0, seed=seed)
    (machine,) = cell.machines.values()
    opened = feedback.open_cell(folder)
    answers = []
    for number in range(parts):
        part = machine.cut()
        text = machine.log_text(part)
        answers.append(opened.feed(machine.setup.name, text, now=START + timedelta(days=400, minutes=number)))
    return opened, answers


def tools(answer: dict[str, Any]) -> dict[str, dict[str, Any]]:
    (machine,) = answer["machines"]
    return {entry["register"]: entry for entry in machine["decisions"] if "radius" in str(entry["register"])}


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_probe_that_steps_is_not_put_into_the_tools(tmp_path: Path, seed: int) -> None:
    """When every size of every tool jumps alike, nothing is proposed: a person checks the probe and releases."""
    cell, answers = run(tmp_path / "cell", "probe-step", 10.0, FAULT_AT + 12, seed)

    with cell:
        for answer in answers[FAULT_AT + 2 :]:
            for entry in tools(answer).values():
                assert entry["answer"] in ("wait", "hold", "stop"), entry
                assert entry.get("proposal") is None or entry["proposal"]["status"] not in ("open", "accepted")
        assert "probe" in {entry["cause"] for entry in tools(answers[-1]).values()}
        locked = cell.history().query("kind == 'locked'")["payload"]
        assert len(locked) >= 2
        assert any("probe that reads all sizes wrong" in event["why"] for event in locked)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_one_tool_that_jumps_alone_is_not_locked(tmp_path: Path, seed: int) -> None:
    """A new edge that nobody recorded concerns its own tool only."""
    cell, answers = run(tmp_path / "cell", "new-edge-unrecorded", 8.0, FAULT_AT + 8, seed)

    with cell:
        assert cell.history().query("kind == 'locked'").empty
        assert any(entry["cause"] == "new-edge" for answer in answers for entry in tools(answer).values())
