"""A group that is followed again sees everything once."""

from pathlib import Path
from unittest.mock import patch

import pytest

from feedback.processing import MachineProcess
from tests.replay.histories import HISTORIES


@pytest.mark.parametrize("name", ["failed-then-lifted", "both-bores-at-once", "everything"])
def test_no_part_is_weighed_twice(name: str, tmp_path: Path) -> None:
    """Where doubts come or go with a part, or one comes late, it counts once when causes are weighed."""
    twice, decide = list[str](), MachineProcess._decide

    def decided(process: MachineProcess, tx: object, found: object, *, at_edge: bool) -> object:
        for stretch in process._weighing._stretches:
            twice.extend(str(place) for place in stretch.places if stretch.places.count(place) > 1)
        return decide(process, tx, found, at_edge=at_edge)  # type: ignore[arg-type]

    with patch.object(MachineProcess, "_decide", decided):
        story = HISTORIES[name](tmp_path / "cell")
    story.cell.close()
    assert twice == []
