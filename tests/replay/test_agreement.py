"""The replay knows what the live machine knew: answer for answer, with the real corrections at the real rows."""

import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import count
from pathlib import Path
from unittest.mock import patch

import numpy as np
import pytest

import feedback
from feedback.fitness.standing import MOST_PRESSING_FIRST
from feedback.replay import replaying
from feedback.replay.arithmetic import ANSWERS
from feedback.replay.lanes import side_by_side
from feedback.replay.many import decide_many
from feedback.replay.one import decide_again
from feedback.replay.past import ARRAYS, CAUSES, GroupPast
from feedback.simulate.scenarios import SITUATIONS
from rules.limits import Limits
from tests.replay.agreement import agreement, gathered, lanes_for
from tests.replay.histories import HISTORIES, deliver_by_parts
from tests.replay.shop import closed_loop
from tests.stories.story import RADIUS, Story
from tests.stories.write_samples import SAMPLE_LOGS

SAMPLES = sorted(path.parent.name for path in SAMPLE_LOGS.glob("*/cell.toml"))
SAMPLES_LIVE = (
    "drifting-probe", "hand-change", "incomplete-calibration", "not-entered", "probe-step", "shifted-part",
    "two-tools", "wrong-way",
)  # fmt: skip
OF_PEOPLE = frozenset({"rejected", "pending", "growth"})  # see `decide_again`
# what counts later, the lag that a proposal turned out to have, and places among parts that came late
HINDSIGHT = frozenset({"void", "delay", "number"})
EACH = (Limits(), Limits(band=0.1, confidence=0.8, evidence=2, settle=1), Limits(check_required=True))


@dataclass
class Lived:
    """A shift that has been told, and what a replay would have rested on at times during it."""

    story: Story
    earlier: list[list[GroupPast]]

    @cached_property
    def pasts(self) -> list[GroupPast]:
        return list(gathered(self.story.cell).pasts)


@pytest.fixture(scope="module", params=list(HISTORIES))
def lived(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lived]:
    """A history of one shift; not to be changed."""
    earlier, looks, process = list[list[GroupPast]](), count(), Story.process

    def processed(story: Story, on: str = "M1") -> Story:
        process(story, on)
        if next(looks) % 5 == 4:
            earlier.append(list(gathered(story.cell).pasts))
        return story

    with patch.object(Story, "process", processed):
        story = HISTORIES[request.param](tmp_path_factory.mktemp(request.param) / "cell")
    yield Lived(story, earlier)
    story.cell.close()


# Answer for answer ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", SAMPLES)
def test_every_sample_decides_again_as_it_did(name: str, tmp_path: Path) -> None:
    """The same text, limits and clock: told again, the same decisions to the last digit and word; replayed, the same
    answer after every part of every register."""
    shutil.copytree(SAMPLE_LOGS / name, tmp_path / "cell")
    with feedback.open_cell(tmp_path / "cell") as cell:
        cell.process()
        found = agreement(cell, tmp_path / "scratch")
    assert found.compared.recorded > 0
    assert found.compared.same == found.compared.recorded
    assert not found.compared.differences
    assert found.recorded.total() >= 40
    assert found.differences == []


@pytest.mark.parametrize("name", SAMPLES_LIVE)
def test_samples_read_part_by_part_are_answered_in_a_replay_as_they_were(name: str, tmp_path: Path) -> None:
    """What locked a register after one part locks it in the replay after just that part."""
    shutil.copytree(SAMPLE_LOGS / name, tmp_path / "cell")
    deliver_by_parts(tmp_path / "cell")
    with feedback.open_cell(tmp_path / "cell") as cell:
        found = agreement(cell, tmp_path / "scratch")
    assert found.differences == []


def test_whatever_stood_in_the_way_stands_in_the_replay(lived: Lived, tmp_path: Path) -> None:
    """Locked, stopped, overdue, in doubt and believed again: a replay differs only where a person had said no."""
    found = agreement(lived.story.cell, tmp_path / "scratch")
    assert found.recorded.total() >= 36
    assert all(one.carried_by <= OF_PEOPLE for one in found.differences), found.differences
    assert len(found.differences) == (4 if lived.story.events("rejected") else 0)


@pytest.mark.parametrize(("name", "seed", "parts"), [("steady", 5, 60), ("careless", 3, 45)])
def test_a_shop_that_corrects_is_answered_in_a_replay_as_it_was(
    name: str, seed: int, parts: int, tmp_path: Path
) -> None:
    """Real corrections out and replayed ones in: the same answer after every part, those under way included."""
    closed_loop(tmp_path / "cell", SITUATIONS[name], seed=seed, parts=parts)
    with feedback.open_cell(tmp_path / "cell") as cell:
        found = agreement(cell, tmp_path / "scratch", is_corrected=True)
    assert found.recorded["hold"] > 0
    assert found.recorded["correct"] > 2
    assert found.differences == []


# What would be missing without it ------------------------------------------------------------------------------------


def without_locks(past: GroupPast) -> GroupPast:
    return replace(past, locked=np.full_like(past.locked, -1))


def without_causes(past: GroupPast) -> GroupPast:
    return replace(past, told=np.full_like(past.told, CAUSES.index("none")))


def without_setter(past: GroupPast) -> GroupPast:
    return replace(past, apart=np.zeros_like(past.apart))


def without_probe(past: GroupPast) -> GroupPast:
    return replace(past, probe=np.full_like(past.probe, MOST_PRESSING_FIRST.index("fit")))


@pytest.mark.parametrize(
    ("name", "known", "least"),
    [
        ("bores-missing", without_locks, 5),
        ("not-broken-after-all", without_locks, 5),
        ("wrong-way", without_locks, 5),
        ("setter-drifts", without_setter, 3),
        ("overdue", without_probe, 3),
        ("required", without_probe, 3),
    ],
)
def test_a_replay_that_does_not_know_answers_otherwise(
    name: str, known: Callable[[GroupPast], GroupPast], least: int, tmp_path: Path
) -> None:
    """Each of the things a replay is told makes a difference somewhere: the agreement is no accident."""
    story = HISTORIES[name](tmp_path / "cell")
    found = agreement(story.cell, tmp_path / "scratch", known=known)
    story.cell.close()
    assert len(found.differences) >= least


@pytest.mark.parametrize(("name", "least"), [("probe-step", 5), ("two-tools", 2)])
def test_a_replay_of_one_group_alone_answers_otherwise(name: str, least: int, tmp_path: Path) -> None:
    """What moved together is nobody's wear; seen tool by tool it looks like it."""
    shutil.copytree(SAMPLE_LOGS / name, tmp_path / "cell")
    with feedback.open_cell(tmp_path / "cell") as cell:
        cell.process()
        found = agreement(cell, tmp_path / "scratch", known=without_causes)
    assert len(found.differences) >= least
    assert {one.recorded for one in found.differences} <= {"hold", "stop"}


# Under other limits --------------------------------------------------------------------------------------------------


def may_not_be_corrected(past: GroupPast, limits: Limits) -> np.ndarray:
    """n x R: at which parts the machine was locked, stopped, overdue or failing, or its setter told otherwise."""
    unfit = past.unfit(is_check_required=limits.check_required)
    return np.asarray((past.locked >= 0) | past.apart | unfit[:, None])


@pytest.mark.parametrize("limits", EACH)
def test_no_limits_correct_while_something_stood_in_the_way(lived: Lived, limits: Limits) -> None:
    """Whatever is tried: nothing is proposed after a part at which the real machine was locked, stopped or overdue."""
    for past in lived.pasts:
        each = [limits] * len(past.group.registers)
        again = decide_again(past, lanes_for(past, each), each)
        barred = may_not_be_corrected(past, limits)
        assert not [one for one in again.said if one.decision.step is not None and barred[one.row, one.column]]


@pytest.mark.parametrize("limits", EACH)
def test_many_settings_know_what_one_knows(lived: Lived, limits: Limits) -> None:
    """Setter readings, locks, doubts and checks: by arithmetic as by the rules, to the last increment."""
    pasts = lived.pasts
    each = [[limits] * len(past.group.registers) for past in pasts]
    table = side_by_side([lanes_for(past, own) for past, own in zip(pasts, each, strict=True)])
    many = decide_many(table, [[limits] * len(table.names)], keep_paths=True)
    assert many.answer is not None
    assert many.held_um is not None
    start = 0
    for past, own in zip(pasts, each, strict=True):
        one = decide_again(past, lanes_for(past, own), own)
        lanes = slice(start, start + len(own))
        start += len(own)
        said = {(entry.row, entry.column): entry.decision.answer for entry in one.said}
        answers = many.answer[: len(past), lanes, 0]
        assert {(int(r), int(c)): ANSWERS[answers[r, c]] for r, c in np.argwhere(answers != 0)} == said
        assert np.array_equal(one.extra_um, many.held_um[: len(past), lanes, 0])


# Nothing looks ahead -------------------------------------------------------------------------------------------------


def test_a_replay_of_today_rests_on_what_one_of_then_rested_on(lived: Lived) -> None:
    """Later text, later checks, releases and doubts change no column of the parts decided on before them."""
    assert len(lived.earlier) >= 2
    final = {past.group.key: past for past in lived.pasts}
    for past in (past for pasts in lived.earlier for past in pasts):
        now = final[past.group.key][: len(past)]
        for name in (*ARRAYS, "locked"):
            if name not in HINDSIGHT:
                then, today = getattr(past, name), getattr(now, name)
                assert np.array_equal(then, today, equal_nan=then.dtype.kind == "f"), name
        assert np.array_equal(past.outlooks.mean, now.outlooks.mean)
        assert np.array_equal(past.outlooks.wild, now.outlooks.wild)
        assert dict(past.doubts) == dict(now.doubts)


def test_readings_found_false_later_count_in_no_spread(tmp_path: Path) -> None:
    """Decided on as they were believed, but no measure of how good the parts were: those read by a failing probe."""
    story = HISTORIES["both-bores-at-once"](tmp_path / "cell")
    (past,) = [one for one in gathered(story.cell).pasts if "tool 5" in one.group.key]
    found = replaying.replay(story.cell, recorded=False)
    story.cell.close()
    assert past.void.tolist() == [False] * 12 + [True] * 5 + [False] * 6
    assert not np.isnan(past.read_um[12:17]).all()
    assert np.isnan(past.read_um[17:]).all()
    (line,) = [one for one in found.lines if one.register == RADIUS]
    off = past.read_um[:12] - (past.lower_um + past.upper_um) / 2
    assert line.rms_um == pytest.approx(float(np.sqrt(np.nanmean(np.square(off)))))
