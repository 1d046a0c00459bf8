"""One coupling group followed part by part: prints, changes, new tools, and a restart in the middle."""

import json
from collections.abc import Sequence
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from feedback.configuration.facts import Configuration
from feedback.configuration.groups import groups
from feedback.configuration.loading import from_texts
from feedback.follow import Follower, Happening, PartPassed, PartSeen, Progress, RegisterSeen, ToolSeen, Track
from feedback.registers import register
from tests.stories.parts import HINGE_BRACKET, cell_texts
from tests.stories.story import machine

RADIUS = register("tool 5 radius")


def configuration(**facts: Any) -> Configuration:
    return from_texts(Path("cell"), cell_texts([machine(**facts)]))


def follower(snapshot: Any = None, of: str = "tool 5 radius", **facts: Any) -> Follower:
    """The follower of the group that holds the register `of`."""
    read = configuration(**facts)
    group = next(group for group in groups(read, "M1") if register(of) in group.registers)
    return Follower(group, read.machines["M1"], snapshot)


def part(number: int, bore_um: float = 10.5, seal_um: float = 19.5, doubts: tuple[str, ...] = ()) -> PartSeen:
    """Part `number` of the small pump body, an hour after the one before."""
    deviations = {"4101/12": bore_um, "4101/13": seal_um}
    return PartSeen(part_id=number, part=str(number), at_us=number * 3600, deviations=deviations, doubts=doubts)


def printed(value: str, after: int = 0, of: str = "tool 5 radius") -> RegisterSeen:
    return RegisterSeen(register=register(of), value=Decimal(value), at_us=after * 3600 + 1, source=f"log:{after}")


def new_tool(after: int) -> ToolSeen:
    return ToolSeen(tool=5, at_us=after * 3600 + 1, source=f"log:{after}")


def parts(first: int, last: int, bore_um: float = 10.5, seal_um: float = 19.5) -> list[Happening]:
    return [part(number, bore_um, seal_um) for number in range(first, last + 1)]


def track(following: Follower) -> Track:
    return following.tracks[RADIUS]


def wild(progress: Progress) -> list[list[bool]]:
    assert progress.outlooks is not None
    found: list[list[bool]] = progress.outlooks.wild.tolist()
    return found


def test_the_first_print_is_knowledge_and_no_change() -> None:
    """What a register held before the first log is not known, so its first value changed nothing."""
    following = follower()
    progress = following.advance([printed("-0.012"), part(1)])

    assert progress.moments[0].changes == ()
    assert track(following) == Track(value=Decimal("-0.012"))


def test_a_change_is_seen_with_the_part_that_follows_it() -> None:
    """Old and new value, where it stands, and how far the register has travelled since set-up."""
    following = follower()
    following.advance([printed("0"), part(1), printed("-0.004", 1), part(2)])
    progress = following.advance([printed("-0.007", 2), part(3), part(4)])

    (change,) = progress.moments[0].changes
    assert (change.old, change.new, change.source) == (Decimal("-0.004"), Decimal("-0.007"), "log:2")
    assert not change.at_new_tool
    assert progress.moments[1].changes == ()
    assert track(following).travel_um == pytest.approx(-7.0)
    assert track(following).parts_since_change == 2


def test_every_moment_keeps_what_was_known_then() -> None:
    """Later prints do not reach back into earlier moments."""
    progress = follower().advance([printed("0"), part(1), printed("-0.004", 1), part(2)])

    assert [moment.tracks[RADIUS].value for moment in progress.moments] == [Decimal("0"), Decimal("-0.004")]
    assert [moment.tracks[RADIUS].parts_since_change for moment in progress.moments] == [None, 1]


@pytest.mark.parametrize(("first", "second"), [("-0.0120", "-0.012"), ("0.01234", "0.0123"), ("0", "-0.000")])
def test_the_same_value_with_fewer_digits_is_no_change(first: str, second: str) -> None:
    """A control that prints the page with three digits and the program with five has not moved anything."""
    following = follower()
    progress = following.advance([printed(first), part(1), printed(second, 1), part(2)])

    assert progress.moments[1].changes == ()
    assert track(following).travel_um == 0.0
    assert track(following).parts_since_change is None


def test_one_increment_is_a_change() -> None:
    """The least step a register can take is seen."""
    progress = follower().advance([printed("0"), part(1), printed("0.001", 1), part(2)])
    assert len(progress.moments[1].changes) == 1


def test_a_print_between_a_new_tool_and_its_first_part_is_set_up() -> None:
    """The setter puts the wear to zero with the new tool: neither travel used up nor the tool's first correction."""
    following = follower()
    following.advance([printed("-0.040"), *parts(1, 3)])
    progress = following.advance([new_tool(3), printed("0", 3), part(4)])

    (change,) = progress.moments[0].changes
    assert change.at_new_tool
    assert track(following) == Track(Decimal("0"), 0.0, None, True, 1)


def test_a_print_after_the_first_part_of_a_new_tool_is_its_first_correction() -> None:
    """From the first measured part on a change is a correction again, and counts as travel."""
    following = follower()
    following.advance([printed("0"), part(1), new_tool(1), part(2)])
    progress = following.advance([printed("-0.006", 2), part(3)])

    assert not progress.moments[0].changes[0].at_new_tool
    assert track(following)._replace(travel_um=-6.0) == Track(Decimal("-0.006"), -6.0, 1, False, 2)
    assert track(following).travel_um == pytest.approx(-6.0)


def test_a_set_up_change_is_not_carried_into_the_trend() -> None:
    """The error of a new tool starts anew, whatever was keyed in for it: the estimate is the same to the last bit."""
    before: list[Happening] = [printed("-0.040"), *parts(1, 8)]
    keyed, untouched = follower(), follower()
    with_print = keyed.advance([*before, new_tool(8), printed("0", 8), *parts(9, 12, bore_um=4.0, seal_um=13.0)])
    without = untouched.advance([*before, new_tool(8), *parts(9, 12, bore_um=4.0, seal_um=13.0)])

    assert with_print.outlooks is not None
    assert without.outlooks is not None
    assert np.array_equal(with_print.outlooks.mean, without.outlooks.mean)


def test_a_change_that_was_printed_is_no_surprise() -> None:
    """Radius 20 um down makes bores 40 um bigger: believed when the log shows the change, doubted when it does not."""
    before: list[Happening] = [printed("0"), *parts(1, 10)]
    moved = part(11, bore_um=50.5, seal_um=59.5)

    told, untold = follower(), follower()
    told.advance(before)
    untold.advance(before)
    assert wild(told.advance([printed("-0.020", 10), moved])) == [[False, False]]
    assert wild(untold.advance([moved])) == [[True, True]]


def test_changes_after_the_newest_part_are_handed_out_and_waited_for() -> None:
    """A value entered after the last part is told at once and shifts what the next part should read."""
    following = follower()
    progress = following.advance([printed("0"), part(1), printed("-0.004", 1)])

    assert [change.new for change in progress.later_changes] == [Decimal("-0.004")]
    assert following.moved_since_um == pytest.approx((-4.0,))
    again = following.advance([part(2)])
    assert again.moments[0].changes == ()  # told already
    assert following.moved_since_um == (0.0,)


def test_prints_and_tools_of_others_are_left_alone() -> None:
    """Another tool's print or new edge says nothing about this group."""
    following = follower()
    following.advance([printed("0"), part(1)])
    before = following.snapshot()
    progress = following.advance([printed("0.5", of="tool 9 radius"), ToolSeen(tool=9, at_us=1, source="log")])

    assert (progress.moments, progress.later_changes) == ((), ())
    assert following.snapshot() == before


def test_a_feature_that_nothing_moves_has_moments_and_no_trend() -> None:
    """A drilled hole is looked at part by part; there is no register to estimate."""
    read = configuration(plan=HINGE_BRACKET)
    group = next(group for group in groups(read, "M1") if not group.registers)
    following = Follower(group, read.machines["M1"])
    progress = following.advance([part(1), part(2)])

    assert [feature.id for feature in group.features] == ["8"]
    assert [moment.seen.part for moment in progress.moments] == ["1", "2"]
    assert progress.outlooks is None
    assert Follower(group, read.machines["M1"], json.loads(json.dumps(following.snapshot()))).parts == 2


SHIFT: Sequence[Happening] = (
    printed("0"),
    *(part(n, 10.5 - 0.4 * n, 19.5 - 0.4 * n) for n in range(1, 7)),
    printed("-0.003", 6),
    *(part(n, 15.0 - 0.4 * n, 24.0 - 0.4 * n) for n in range(7, 10)),
    part(10, 60.0, 20.0),  # a chip
    new_tool(10),
    printed("0", 10),
    *(part(n, 16.0 - 0.2 * n, 25.0 - 0.2 * n) for n in range(11, 15)),
    printed("0.002", 14),
)


@pytest.mark.parametrize("cut", range(len(SHIFT) + 1))
def test_a_restart_anywhere_makes_no_difference(cut: int) -> None:
    """Stopped at any line and started again, trueup knows exactly what it would have known: to the last bit."""
    whole = follower()
    whole_first, whole_rest = whole.advance(SHIFT[:cut]), whole.advance(SHIFT[cut:])
    stopped = follower()
    first = stopped.advance(SHIFT[:cut])
    restarted = follower(json.loads(json.dumps(stopped.snapshot())))
    rest = restarted.advance(SHIFT[cut:])

    assert first.moments == whole_first.moments
    assert rest.moments == whole_rest.moments
    assert rest.later_changes == whole_rest.later_changes
    assert restarted.moved_since_um == whole.moved_since_um
    assert restarted.last == whole.last
    assert restarted.snapshot() == whole.snapshot()
    if rest.outlooks is not None and whole_rest.outlooks is not None:
        assert np.array_equal(rest.outlooks.mean, whole_rest.outlooks.mean)
        assert np.array_equal(rest.outlooks.cov, whole_rest.outlooks.cov)
        assert list(rest.outlooks.moving) == list(whole_rest.outlooks.moving)


def passed(number: int) -> PartPassed:
    """Part `number`, of which nothing was read."""
    return PartPassed(part_id=number, at_us=number * 3600)


def slope_um(progress: Progress) -> float:
    assert progress.outlooks is not None
    return float(progress.outlooks.predict(0).slope_um[-1, 0])


def every_third(first: int, last: int, wear_um: float = 1.0) -> list[Happening]:
    """Both bores shrink with the cutter, by twice its wear; each third part is probed."""
    return [
        part(n, 10.5 - 2 * wear_um * n, 19.5 - 2 * wear_um * n) if n % 3 == 0 else passed(n)
        for n in range(first, last + 1)
    ]


def test_wear_is_counted_per_part_cut_and_not_per_part_probed() -> None:
    """Probed on each third part, a cutter that loses 1 um a part wears by 1 um a part."""
    progress = follower().advance([printed("0"), *every_third(0, 60)])

    assert slope_um(progress) == pytest.approx(1.0, abs=0.05)
    assert [moment.passed for moment in progress.moments] == [0] + [2] * 20


def test_a_restart_between_two_unread_parts_counts_each_once() -> None:
    """What is delivered again, and what is told again after a restart, has been counted."""
    happenings: list[Happening] = [printed("0"), *every_third(0, 61)]
    following = follower()
    following.advance(happenings)
    again = follower(json.loads(json.dumps(following.snapshot())))
    again.advance([passed(61), passed(17)])
    (moment,) = again.advance([passed(62), part(63)]).moments
    assert moment.passed == 2
