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


def shown(answer: dict[str, Any]) -> dict[str, tuple[Any, ...]]:
    """Per register what a person reads of it."""
    (machine,) = answer["machines"]
    return {
        entry["register"]: (entry["answer"], entry["cause"], entry["told"], entry.get("locked"))
        for entry in machine["decisions"]
        if "register" in entry and not entry["register"].startswith("feature")
    }


def test_a_restart_forgets_nothing_of_what_moved(tmp_path: Path) -> None:
    """Stopped and started at any part, the tool says of the next one what it says when it has never been stopped."""
    at = 90
    scenario = single_fault("probe-step", size=10.0, at=at)
    (live_machine,) = write_cell(tmp_path / "live", scenario, parts=0, seed=4).machines.values()
    write_cell(tmp_path / "restarted", scenario, parts=0, seed=4)
    texts = [live_machine.log_text(live_machine.cut()) for _ in range(at + 6)]
    now = START + timedelta(days=400)
    taken = 0
    with feedback.open_cell(tmp_path / "live") as live:
        for number, text in enumerate(texts):
            said = shown(live.feed("M1", text, now=now + timedelta(minutes=number)))
            if number % 10 < 9 and number < at - 1:
                continue
            with feedback.open_cell(tmp_path / "restarted") as restarted:
                for later in range(taken, number + 1):
                    answer = restarted.feed("M1", texts[later], now=now + timedelta(minutes=later))
            taken = number + 1
            assert shown(answer) == said
    assert "probe" in {cause for _, cause, _, _ in said.values()}
