"""All machines of a scenario under one seed."""

from feedback.simulate.happenings import Happening
from feedback.simulate.machine import SimulatedMachine
from feedback.simulate.scenario import Scenario
from feedback.simulate.truth import PartTruth


class Cell:
    """The machines of a scenario, each with chance of its own; the same seed gives the same cell."""

    def __init__(self, scenario: Scenario, seed: int) -> None:
        self.scenario = scenario
        self.machines = {setup.name: SimulatedMachine(setup, seed, scenario.operator) for setup in scenario.machines}

    def machine(self, name: str | None = None) -> SimulatedMachine:
        """The machine of that name, or the first."""
        return self.machines[self.scenario.setup(name).name]

    def cut(self) -> dict[str, PartTruth]:
        """One part on every machine."""
        return {name: machine.cut() for name, machine in self.machines.items()}

    def log_text(self, part: PartTruth) -> str:
        """What the control of its machine prints of a part."""
        return self.machines[part.machine].log_text(part)

    @property
    def events(self) -> dict[str, tuple[Happening, ...]]:
        """Everything that has happened so far, by machine."""
        return {name: machine.events for name, machine in self.machines.items()}
