"""Stories begin in an empty folder and are closed when they end."""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.stories.shop import SimulatedMachine
from tests.stories.story import Story

Tell = Callable[..., Story]


@pytest.fixture
def tell(tmp_path: Path) -> Iterator[Tell]:
    """Begins a story; several in one test live in folders of their own."""
    told: list[Story] = []

    def begin(*machines: SimulatedMachine, **more: Any) -> Story:
        told.append(Story(tmp_path / f"cell{len(told)}", *machines, **more))
        return told[-1]

    yield begin
    for story in told:
        story.cell.close()
