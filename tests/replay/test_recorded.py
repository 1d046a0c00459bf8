"""The history told again: every recorded decision comes out as it was recorded, or is said to differ."""

import shutil
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

import feedback
from feedback.ledger import past as store
from feedback.replay import replaying
from feedback.replay.lanes import side_by_side
from feedback.replay.many import decide_many
from feedback.replay.one import decide_again
from feedback.replay.recorded import Compared, decided_again
from feedback.replay.replaying import Replay
from feedback.replay.span import EVERYTHING
from feedback.simulate.scenarios import SITUATIONS
from rules.limits import Limits
from tests.replay.shop import closed_loop


def told_again(folder: Path, scratch: Path, limits: str | None = None) -> Compared:
    with feedback.open_cell(folder) as cell, cell.store.reading() as sql:
        return decided_again(sql, folder, scratch, limits)


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A cell in which every proposal was accepted and entered; not to be changed."""
    folder = tmp_path_factory.mktemp("lived")
    closed_loop(folder, SITUATIONS["steady"], seed=5, parts=90)
    return folder


@pytest.fixture
def cell(lived: Path, tmp_path: Path) -> Iterator[feedback.Cell]:
    shutil.copytree(lived, tmp_path / "cell")
    with feedback.open_cell(tmp_path / "cell") as opened:
        yield opened


def test_a_history_with_corrections_decides_again_as_it_did(lived: Path, tmp_path: Path) -> None:
    """What people accepted and entered is part of what happened: told again, it leads to the same decisions."""
    compared = told_again(lived, tmp_path)
    assert compared.recorded == 90 * 6
    assert compared.same == compared.recorded
    assert not compared.differences
    assert compared.given["M1", "tool 5 radius", "correct"] > 3


def test_a_shop_that_enters_late_is_replayed_as_late_as_it_was(tmp_path: Path) -> None:
    """Three parts more than stated, every time: the trend looks further ahead once that is known, in a replay too."""
    folder = tmp_path / "cell"
    closed_loop(folder, SITUATIONS["steady"], seed=11, parts=75, late=3)
    with feedback.open_cell(folder) as cell:
        found = replaying.replay(cell, recorded=False)
    assert {int(lag) for one in found.groups for lag in one.past.ahead} == {1, 4}
    assert len(found.turns) > 5
    assert [turn for turn in found.turns if not turn.is_same] == []


def test_other_limits_say_where_they_would_have_answered_otherwise(lived: Path, tmp_path: Path) -> None:
    """A wider band on the very same parts: fewer corrections, each one said."""
    compared = told_again(lived, tmp_path, '[default]\nband = "70 %"\n')
    changed = {(one.recorded, one.again) for one in compared.differences}
    assert ("correct", "leave") in changed
    assert all("inside the band" in one.again_words for one in compared.differences if one.again == "leave")


def test_the_limits_in_force_give_the_corrections_that_were_made(cell: feedback.Cell) -> None:
    """Real corrections out, replayed ones in: under the same limits they are the same, at the same parts."""
    found = replaying.replay(cell, recorded=False)
    with cell.store.reading() as sql:
        made = store.corrections(sql, "M1")
    assert len(made) > 8
    assert [(turn.real, turn.is_same) for turn in found.turns] == [(turn.replayed, True) for turn in found.turns]
    assert {(turn.register, turn.part, turn.real) for turn in found.turns} == {
        (one["register"], one["part"], one["change"]) for one in made if _acts(found, one["register"], one["part"])
    }
    assert not any(one.extra_um.any() for one in found.groups)
    for line in found.lines:
        assert line.rms_um == line.rms_um_replayed
        assert line.corrections == line.corrections_replayed


def test_many_settings_leave_real_changes_as_one_does(cell: feedback.Cell) -> None:
    """Hand changes stay, real corrections go: whether one setting is replayed or several side by side."""
    found = replaying.gather(cell, None, EVERYTHING)
    table = side_by_side(found.lanes)
    each = [Limits(), Limits(band=0.15, aim=1.0), Limits(band=0.9)]
    many = decide_many(table, [[limits] * len(table.names) for limits in each], keep_paths=True)
    assert many.held_um is not None
    start, moved = 0, 0.0
    for past, lanes in zip(found.pasts, found.lanes, strict=True):
        columns = slice(start, start + len(lanes.names))
        for setting, limits in enumerate(each):
            one = decide_again(past, lanes, [limits] * len(lanes.names))
            assert np.array_equal(one.extra_um, many.held_um[: len(past), columns, setting])
            moved = max(moved, float(np.abs(one.extra_um).max()))
        start += len(lanes.names)
    assert moved > 10  # with a band so wide, what was really corrected is hardly corrected at all


def _acts(found: Replay, register: str, part: str) -> bool:
    return any(turn.register == register and turn.part == part for turn in found.turns)


def test_the_columns_are_kept_until_new_text_comes(cell: feedback.Cell) -> None:
    """Other limits do not filter again; another part does."""
    folder = cell.folder / "state" / "replay"
    replaying.replay(cell, recorded=False)
    kept = {path.name: path.stat().st_mtime_ns for path in folder.iterdir()}
    replaying.replay(cell, recorded=False)
    assert {path.name: path.stat().st_mtime_ns for path in folder.iterdir()} == kept
    cell.feed("M1", "PART 900 PLAN 7101 DATE 20250601 TIME 060000\nFEATURE 31 ACTUAL 0.001\nEND 900\n")
    replaying.replay(cell, recorded=False)
    assert set(kept) < {path.name for path in folder.iterdir()}
