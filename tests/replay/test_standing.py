"""What locked a register, what state the probe was in, and what was believed, told of single parts and texts."""

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal
from typing import Literal

import numpy as np
import pytest

from feedback.configuration.facts import Artefact
from feedback.fitness.standing import MOST_PRESSING_FIRST, Seen
from feedback.follow import Happening, PartSeen
from feedback.locks import AS_THE_PROBE, SETTER_READ, TOGETHER
from feedback.replay.arrival import Arrivals, Doubt, stretches
from feedback.replay.fitness import Judged, Placed, Probes, probe_states
from feedback.replay.past import ChangeSeen, GroupPast
from feedback.replay.standing import Turn, locked
from tests.replay import shop

NAME = "tool 5 radius"
BROKEN = f"{SETTER_READ} {NAME} 4.6 mm"
MOVED = f"{TOGETHER} and alike: {NAME} by +4.0 um. {AS_THE_PROBE}"
WRONG_WAY = "the readings moved the wrong way"
BY_A_PERSON = Turn(NAME, 4, None, why="looked at it", by="pe")


@pytest.fixture(scope="module")
def past() -> GroupPast:
    """Ten parts of one register in five texts, numbered 1, 4, 7, 10 and 13: two parts came with each."""
    found = next(one for one in shop.uncorrected("steady", 10, seed=1) if str(one.group.registers[0]) == NAME)
    outlooks = replace(found.outlooks, jumped=np.zeros_like(found.outlooks.jumped))
    return replace(found, text=np.repeat([1, 4, 7, 10, 13], 2), outlooks=outlooks)


def locks(past: GroupPast, *turns: Turn) -> str:
    """A letter for every part: the lock's first, or a dot."""
    rows, words = locked(past, turns)
    return "".join("." if lock < 0 else words[lock][len("the ")] for lock in rows[:, 0])


def test_a_broken_tool_stops_from_the_text_that_shows_it(past: GroupPast) -> None:
    """The setter was read with the third text: its parts are stopped for, those before are not."""
    assert locks(past, Turn(NAME, 7, BROKEN)) == "....tttttt"


def test_what_moved_together_locks_from_the_next_text_on(past: GroupPast) -> None:
    """It is told when the parts of its own text have been decided on."""
    rows, words = locked(past, [Turn(NAME, 4, MOVED)])
    assert rows[:, 0].tolist() == [-1] * 4 + [0] * 6
    assert words == (MOVED,)


def test_a_person_ends_a_lock_with_the_next_text(past: GroupPast) -> None:
    """Released between two texts: the parts of the next are free."""
    assert locks(past, Turn(NAME, 1, BROKEN), BY_A_PERSON) == "tttt......"


def test_another_registers_lock_is_no_lock(past: GroupPast) -> None:
    """Tool 6 may be locked while tool 5 is corrected."""
    assert locks(past, Turn("tool 6 radius", 1, BROKEN)) == "." * 10


def test_a_lock_that_outlasts_a_broken_tool_goes_on_without_a_gap(past: GroupPast) -> None:
    """The new tool ends the stop; what had moved together before is said again at once and was never over."""
    rows, words = locked(
        past,
        [
            Turn(NAME, 1, MOVED),
            Turn(NAME, 7, BROKEN),
            Turn(NAME, 10, None, why="a new tool 5 was recorded (M1/a.txt:9)"),
            Turn(NAME, 10, MOVED),
        ],
    )
    assert [words[lock] if lock >= 0 else "" for lock in rows[:, 0]] == ["", "", MOVED, MOVED, BROKEN, BROKEN] + [
        MOVED
    ] * 4


def test_a_change_that_did_not_work_locks_with_the_part_that_shows_it(past: GroupPast) -> None:
    """The change came before part 3 of a text that brought ten; three parts show it, so part 5 is the first held."""
    together = replace(past, text=np.full(10, 1), changes=[ChangeSeen(2, 0, "M1/a.txt:4")])
    assert locks(together, Turn(NAME, 1, WRONG_WAY, source="M1/a.txt:4", parts=3)) == "....rrrrrr"


def test_a_lock_until_the_next_change_ends_with_its_first_part(past: GroupPast) -> None:
    """The register is changed once more inside a text: from the first part cut with it on, it is free."""
    changed = replace(past, changes=[ChangeSeen(7, 0, "M1/a.txt:40")])
    turns = [
        Turn(NAME, 1, WRONG_WAY, source="M1/a.txt:1", parts=3),
        Turn(NAME, 10, None, why="changed from 1 to 2 (M1/a.txt:40)"),
    ]
    assert locks(changed, *turns) == "rrrrrrr..."


# The probe -----------------------------------------------------------------------------------------------------------

RING = Artefact(
    name="RING1",
    kind="ring",
    size_mm=Decimal(40),
    uncertainty_mm=Decimal("0.0008"),
    cte_per_k=Decimal("11.5e-6"),
    error_limit_mm=Decimal("0.003"),
    due_s=None,
    due_parts=4,
)
PARTS = [Placed((k, k), 10 * k) for k in range(1, 11)]  # part k at time k, with text 10 k
LETTERS = {"failed": "X", "due": "d", "unknown": "?", "fit": "f", "unchecked": "u"}


def check(at: int, text: int, result: Literal["passed", "failed"] = "passed", probe: int = 1) -> Judged:
    """A check right after part `at`, told of by `text`."""
    words = "ring RING1 read"
    seen = Seen(id=text, probe=probe, what="artefact", artefact="RING1", place=(at, at), result=result, words=words)
    return Judged(seen, text)


def states(*judged: Judged, parts: Sequence[Placed] = PARTS) -> str:
    """A letter for the state at every part."""
    found = probe_states(parts, Probes(judged=judged, artefacts={"RING1": RING}, usual=1))
    return "".join(LETTERS[MOST_PRESSING_FIRST[found[k]]] for k in range(1, 11))


def test_a_check_falls_due_after_so_many_parts() -> None:
    """Four parts after the check are fit, the fifth finds it overdue."""
    assert states(check(2, 25)) == "??ffffdddd"


def test_a_check_that_comes_late_was_not_known_before() -> None:
    """The ring failed after part 3 and the line came with part 7: parts 4 to 6 were decided on without it."""
    assert states(check(2, 25), check(3, 70, "failed")) == "??ffffXXXX"


def test_what_a_person_sets_aside_counts_no_more_from_then_on() -> None:
    """A chip on the ring: from the next text on the probe is what the check before made it."""
    assert states(check(2, 25), check(3, 35, "failed")._replace(aside=55)) == "??fXXfdddd"


def test_another_probe_is_heard_of_with_its_first_check_and_never_falls_due() -> None:
    """A probe for small bores fails its first check after part 4 and passes after part 5."""
    other = [check(4, 45, "failed", probe=2), check(5, 55, probe=2)]
    assert states(check(2, 25), *other) == "??ffXfdddd"


def test_a_part_that_comes_late_is_counted_from_then_on() -> None:
    """Part 3 came behind part 9: until then one part more could be cut with the check."""
    late = [part._replace(text=95) if part.place[1] == 3 else part for part in PARTS]
    assert states(check(2, 25), parts=late) == "??fffffddd"


def test_without_an_artefact_nothing_is_known_of_the_probe() -> None:
    """Unchecked at every part, whatever is in the log."""
    assert set(probe_states(PARTS, Probes(judged=(), artefacts={}, usual=1)).values()) == {
        MOST_PRESSING_FIRST.index("unchecked")
    }


# What was believed ---------------------------------------------------------------------------------------------------


def part(id: int) -> PartSeen:
    return PartSeen(part_id=id, part=str(id), at_us=id, deviations={"7101/12": float(id)})


def followed_with(doubt: Doubt, again: int) -> list[tuple[list[bool] | None, list[bool]]]:
    """Six parts in texts 10, 20, 30, 30, 40, 50: of every stretch what was seen once more, and which were believed."""
    texts = dict(zip(range(1, 7), (10, 20, 30, 30, 40, 50), strict=True))
    arrivals = Arrivals(text_of=texts, doubts=(doubt,), again=frozenset({again}))

    def believed(some: Sequence[Happening] | None) -> list[bool] | None:
        return None if some is None else [bool(one.deviations) for one in some if isinstance(one, PartSeen)]

    found = stretches([part(id) for id in range(1, 7)], arrivals)
    return [(believed(one.known), believed(one.happenings) or []) for one in found]


def test_a_doubt_cast_backwards_is_not_known_before_it_was_cast() -> None:
    """Parts 2 and 3 are doubted with the text of parts 3 and 4; the group starts over with the newest of these."""
    doubt = Doubt(words="ring", since=(1, 1), until=(3, 3), told=30)
    assert followed_with(doubt, 30) == [(None, [True, True, False]), ([True, False, False], [True, True, True])]


def test_readings_a_person_has_answered_for_count_again_from_then_on() -> None:
    """Lifted between the texts of parts 5 and 6: part 6 is decided on with all of them believed."""
    doubt = Doubt(words="ring", since=(1, 1), until=None, told=20, lifted=45)
    assert followed_with(doubt, 50) == [(None, [True, *[False] * 4]), ([True] * 5, [True])]


def test_a_doubt_ends_where_the_later_check_passed() -> None:
    """Until the passing check was known everything was in doubt; since then what was measured after it is believed."""
    doubt = Doubt(words="ring", since=(1, 1), until=(4, 4), told=20, ended=40)
    assert [doubt.holds((5, 5), text) for text in (10, 20, 39, 40)] == [False, True, True, False]
    assert [doubt.holds((4, 4), text) for text in (10, 20, 40, 99)] == [False, True, True, True]
