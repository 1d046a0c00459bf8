"""A group's past in columns: what it rests on, what is kept of it, what late news do to it."""

from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest

from feedback.follow import PartSeen, RegisterSeen
from feedback.replay import cache
from feedback.replay.following import Entered, followed
from feedback.replay.past import GroupPast
from tests.replay import shop


@pytest.fixture(scope="module")
def past() -> GroupPast:
    return shop.uncorrected("careless", 90, seed=1)[0]


def assert_equal(one: GroupPast, other: GroupPast) -> None:
    for name in cache.ARRAYS:
        assert np.array_equal(
            getattr(one, name), getattr(other, name), equal_nan=getattr(one, name).dtype.kind == "f"
        ), name
    assert (list(one.part), dict(one.doubts)) == (list(other.part), dict(other.doubts))
    assert list(one.changes) == list(other.changes)
    for field in fields(one.outlooks):
        mine, theirs = getattr(one.outlooks, field.name), getattr(other.outlooks, field.name)
        if isinstance(mine, np.ndarray):
            assert np.array_equal(mine, theirs, equal_nan=mine.dtype.kind == "f"), field.name
        elif field.name != "states":
            assert list(mine) == list(theirs), field.name


def test_what_is_kept_comes_back_to_the_last_bit(past: GroupPast, tmp_path: Path) -> None:
    """The second replay of the same past rests on exactly the same numbers as the first."""
    path = cache.path_of(tmp_path, "sha256:abc")
    cache.keep(path, past)
    again = cache.kept(path, past.group, past.machine)
    assert again is not None
    assert again.past is not None
    assert_equal(past, again.past)
    assert [file.name for file in path.parent.iterdir()] == [path.name]


@pytest.mark.parametrize("spoilt", [b"", b"not a file of columns", b"PK\x03\x04 half"])
def test_a_damaged_cache_is_made_anew(past: GroupPast, tmp_path: Path, spoilt: bytes) -> None:
    """A crash while columns were written, or a hand in the folder, costs time and nothing else."""
    path = cache.path_of(tmp_path, "sha256:abc")
    assert cache.kept(path, past.group, past.machine) is None
    path.parent.mkdir(parents=True)
    path.write_bytes(spoilt)
    assert cache.kept(path, past.group, past.machine) is None


def test_a_late_part_changes_nothing_that_was_decided_before_it_arrived() -> None:
    """A file that turns up late was not known when the parts after it were decided on."""
    bench = shop.BenchMachine(shop.SITUATIONS["steady"])
    group = bench.groups[1]
    told = shop.happenings(group, bench.errors(60, [2]), 60)
    numbers = {part: part for part in range(61)}
    late = [one if not (isinstance(one, PartSeen) and one.part_id == 20) else _arriving(one, 60) for one in told]
    without = [one for one in told if not (isinstance(one, PartSeen) and one.part_id == 20)]
    plain = followed(group, bench.machine, without, numbers, ())
    # the part cut as number 20 arrives after number 40: ids count arrivals
    moved = [_arriving(one, one.part_id + (one.part_id > 40)) if isinstance(one, PartSeen) else one for one in late]
    moved = [_arriving(one, 41) if isinstance(one, PartSeen) and one.part_id == 61 else one for one in moved]
    past = followed(group, bench.machine, moved, numbers, ())
    assert plain is not None
    assert past is not None
    assert len(past) == 59
    assert np.array_equal(past.outlooks.mean[:40], plain.outlooks.mean[:40])
    assert not np.array_equal(past.outlooks.mean[41:], plain.outlooks.mean[41:])


def _arriving(seen: PartSeen, part_id: int) -> PartSeen:
    return PartSeen(part_id=part_id, part=seen.part, at_us=seen.at_us, deviations=seen.deviations)


def test_the_shops_own_lag_is_used_where_it_has_been_seen() -> None:
    """The parts that were really cut before a correction was entered count, not the ones somebody once stated."""
    bench = shop.BenchMachine(shop.SITUATIONS["steady"])
    (group,) = (one for one in bench.groups if one.key == "tool 5 radius")
    told = shop.happenings(group, bench.errors(50, [2]), 50)
    lower = [
        replace(one, value=one.value - 3) if isinstance(one, RegisterSeen) and one.at_us > 20_000_000 else one
        for one in told
    ]
    first = next(
        one for one, before in zip(lower, told, strict=True) if isinstance(one, RegisterSeen) and one != before
    )
    opened = Entered(register="tool 5 radius", source=first.source, value=first.value, opened_part_id=14)
    past = followed(group, bench.machine, lower, {part: part for part in range(50)}, [opened])
    assert past is not None
    # opened at part 14, first seen with part 20: parts 15 to 19 were cut before it
    assert past.delay[:, 0].tolist() == [1] * 14 + [5] + [1] * 5 + [5] * 30
    assert past.entry_um[20, 0] == -3000.0
    assert not past.hand_um.any()
    assert past.due_row[14, 0] == 20


def test_a_group_without_registers_has_no_past() -> None:
    """What no register moves cannot be corrected: there is nothing to replay."""
    bench = shop.BenchMachine(shop.SITUATIONS["steady"])
    group = bench.groups[0]
    assert followed(group, bench.machine, [], {}, ()) is None
