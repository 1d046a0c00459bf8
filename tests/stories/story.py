"""A cell that lives through a shift: machines print, files grow, the tool answers, people decide.

    story = Story(tmp_path).cut(parts=14, wear_um=0.3)
    assert story.answer("tool 5 radius") == "correct"

Every part is delivered as the shop delivers it: appended to the file of the shift, and read at once. The clock is the
simulated machine's; nothing here asks what time it is.
"""

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Self

import feedback
from tests.stories.parts import BEARING_BORE, DATUM_X, PORT, PUMP_BODY, SEAL_BORE, cell_texts
from tests.stories.shop import PartPlan, SimulatedMachine
from tests.stories.situations import shift

SMALL_PUMP_BODY = PartPlan(**{**vars(PUMP_BODY), "cuts": (BEARING_BORE, SEAL_BORE, DATUM_X, PORT)})
RADIUS = "tool 5 radius"

Answer = dict[str, Any]


def machine(name: str = "M1", plan: PartPlan = SMALL_PUMP_BODY, **facts: Any) -> SimulatedMachine:
    """A machine that cuts the bores and the port of the pump body; its scatter depends on its name and seed only."""
    return SimulatedMachine(name, plan, seed=facts.pop("seed", f"story of {name}"), **facts)


class Story:
    """A cell folder with its machines, told part by part. Methods that tell return the story, so that they chain."""

    def __init__(self, folder: Path, *machines: SimulatedMachine, limits: str = "", by_feed: bool = False) -> None:
        self.folder = folder
        self.machines = {found.name: found for found in machines or (machine(),)}
        self.by_feed = by_feed
        for name, text in cell_texts(self.machines.values(), limits).items():
            path = folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
        self.cell = feedback.open_cell(folder)
        self.document: Answer = {}
        self.answers: list[tuple[str, str, str]] = []  # machine, register, answer after every part

    # What happens ----------------------------------------------------------------------------------------------------

    def cut(self, parts: int = 1, wear_um: float = 0.0, tool: int = 5, on: str = "M1") -> Self:
        """So many parts, with that much radius lost at each; the cell answers after every one."""
        for _ in range(parts):
            if wear_um:
                self.machines[on].wear(tool, radius_um=wear_um)
            self.deliver(self.machines[on].cut(), on)
            self.answers += [(on, entry["register"], entry["answer"]) for entry in self.decisions(on)]
        return self

    def deliver(self, text: str, on: str = "M1", file: str | None = None) -> Self:
        """Log text arrives, at the end of the shift's file or of the one named, and is read."""
        if self.by_feed and file is None:
            self.document = self.cell.feed(on, text, now=self.now(on))
            return self
        self.write(text, on, file)
        return self.process(on)

    def write(self, text: str, on: str = "M1", file: str | None = None) -> Self:
        """Log text arrives and nobody has read it yet."""
        path = self.file(on, file)
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("ab") as log:
            log.write(text.encode("latin-1"))
        return self

    def process(self, on: str = "M1") -> Self:
        self.document = self.cell.process(now=self.now(on))
        return self

    def file(self, on: str = "M1", name: str | None = None) -> Path:
        """The log file called `name`, or that of the present shift."""
        return self.folder / "logs" / on / (name or f"{shift(self.machines[on].clock)}.txt")

    def now(self, on: str = "M1") -> datetime:
        """A little after the machine's last print; Lisbon keeps UTC until the end of March."""
        return self.machines[on].clock.replace(tzinfo=UTC) + timedelta(minutes=2)

    def reopen(self) -> Self:
        """The tool is stopped and started again."""
        self.cell.close()
        self.cell = feedback.open_cell(self.folder)
        return self

    # What people do --------------------------------------------------------------------------------------------------

    def accept(self, register: str = RADIUS, by: str = "op1", on: str = "M1", **more: Any) -> Self:
        self.document = self.cell.accept(self.open_proposal(register, on)["id"], by=by, now=self.now(on), **more)
        return self

    def reject(self, register: str = RADIUS, by: str = "op1", why: str = "finish is poor", on: str = "M1") -> Self:
        self.document = self.cell.reject(self.open_proposal(register, on)["id"], by=by, why=why, now=self.now(on))
        return self

    def enter(self, register: str = RADIUS, on: str = "M1") -> Self:
        """Somebody keys in what the newest proposal says."""
        self.machines[on].enter_mm(register, self.open_proposal(register, on)["new_mm"])
        return self

    # What came of it -------------------------------------------------------------------------------------------------

    def decisions(self, on: str = "M1") -> list[Answer]:
        return [entry for found in self.document["machines"] if found["machine"] == on for entry in found["decisions"]]

    def decision(self, register: str = RADIUS, on: str = "M1") -> Answer:
        """The newest decision on `register`."""
        return next(entry for entry in self.decisions(on) if entry["register"] == register)

    def answer(self, register: str = RADIUS, on: str = "M1") -> str:
        return str(self.decision(register, on)["answer"])

    def proposal(self, register: str = RADIUS, on: str = "M1") -> Answer | None:
        """The newest proposal for `register`, whatever became of it."""
        return self.decision(register, on).get("proposal")

    def open_proposal(self, register: str = RADIUS, on: str = "M1") -> Answer:
        """The newest proposal, which must still be open or accepted."""
        found = self.proposal(register, on)
        assert found is not None, f"no proposal for {register}: {self.decision(register, on)}"
        assert found["status"] in ("open", "accepted"), found
        return found

    def verdicts(self, register: str = RADIUS, on: str = "M1") -> Mapping[str, str]:
        """What each rule said about `register`."""
        return {reason["rule"]: reason["verdict"] for reason in self.decision(register, on)["reasons"]}

    def answers_on(self, register: str = RADIUS, on: str = "M1") -> list[str]:
        """The answers after every part so far."""
        return [answer for machine, name, answer in self.answers if (machine, name) == (on, register)]

    def events(self, kind: str) -> list[Answer]:
        """Everything of one kind that the history holds, oldest first."""
        history = self.cell.history()
        return list(history.loc[history["kind"] == kind, "payload"])
