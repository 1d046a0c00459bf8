"""Who may answer a proposal, when, and what the history says afterwards."""

import re
from itertools import product

import pytest

from feedback.errors import UsageError
from feedback.ledger import queries, review
from feedback.ledger.chain import digest
from feedback.ledger.queries import Proposal
from feedback.ledger.store import Store
from tests.ledger.shop import CORRECTION, MORNING, PEOPLE, RADIUS, later

STATUSES = (
    "open", "accepted", "rejected", "expired", "withdrawn", "entered", "confirmed", "unconfirmed", "wrong-way"
)  # fmt: skip


def opened(store: Store, change: str = "-0.006") -> str:
    with store.writing(MORNING) as tx:
        return review.open_proposal(tx, "M1", RADIUS, {**CORRECTION, "change": change}, 118)


def stored(store: Store, id: str) -> Proposal:
    with store.reading() as sql:
        found = queries.proposal(sql, id)
    assert found is not None
    return found


def become(store: Store, id: str, status: str) -> None:
    """Take the one step of the review that leads to `status`."""
    with store.writing(later(1)) as tx:
        match status:
            case "accepted":
                review.accept(tx, PEOPLE, id, "op1")
            case "rejected":
                review.reject(tx, PEOPLE, id, "op1", "surface looks torn")
            case "expired":
                review.expire(tx, id, "10 parts have passed")
            case "withdrawn":
                review.withdraw(tx, id, "the reading is back inside the band")
            case "entered":
                review.enter(tx, id, "-0.018", "M1/20261125.txt:214")
            case "confirmed":
                review.confirm(tx, id, "moved by 0.012 mm as promised")
            case "unconfirmed":
                review.leave_unconfirmed(tx, id, "moved by 0.001 mm, promised 0.012 mm")
            case "wrong-way":
                review.find_wrong_way(tx, id, "moved by -0.011 mm, promised 0.012 mm")


PATHS = {
    "open": (),
    "accepted": ("accepted",),
    "rejected": ("rejected",),
    "expired": ("expired",),
    "withdrawn": ("withdrawn",),
    "entered": ("entered",),
    "confirmed": ("entered", "confirmed"),
    "unconfirmed": ("entered", "unconfirmed"),
    "wrong-way": ("entered", "wrong-way"),
}
ALLOWED = {
    *product(["open"], ["accepted", "rejected", "expired", "withdrawn", "entered"]),
    *product(["accepted"], ["expired", "withdrawn", "entered"]),
    *product(["entered"], ["confirmed", "unconfirmed", "wrong-way"]),
}


@pytest.fixture(scope="module")
def every_status(tmp_path_factory: pytest.TempPathFactory) -> Store:
    return Store.open(tmp_path_factory.mktemp("cell"))


@pytest.mark.parametrize(("before", "after"), [*product(STATUSES, STATUSES[1:])])
def test_a_proposal_takes_only_the_steps_of_a_review(every_status: Store, before: str, after: str) -> None:
    """An answered proposal cannot be answered again, and only what was entered can show an effect."""
    store = every_status
    for live in _live(store):
        become(store, live, "withdrawn")
    id = opened(store)
    for status in PATHS[before]:
        become(store, id, status)
    if (before, after) in ALLOWED:
        become(store, id, after)
        assert stored(store, id).status == after
    else:
        with pytest.raises(UsageError, match=f"proposal {id}: found {before}.*nothing was changed"):
            become(store, id, after)
        assert stored(store, id).status == before


def _live(store: Store) -> list[str]:
    with store.reading() as sql:
        return [live.id for live in queries.proposals(sql)]


def test_an_acceptance_names_person_time_and_what_was_seen(store: Store) -> None:
    """A year later quality reads who accepted which correction, when, and with which note."""
    id = opened(store)
    seen = stored(store, id)
    with store.writing(later(2)) as tx:
        review.accept(tx, PEOPLE, id, "op1", note="checked the edge", digest=seen.digest)
    accepted = stored(store, id)
    assert (accepted.status, accepted.by, accepted.note) == ("accepted", "op1", "checked the edge")
    assert accepted.opened_at == MORNING
    assert accepted.changed_at == later(2)
    assert accepted.content == CORRECTION
    assert accepted.opened_part_id == 118
    with store.reading() as sql:
        (event,) = queries.story(sql, kinds=["accepted"])
    assert event.content == {"id": id, "by": "op1", "note": "checked the edge", "digest": seen.digest}


def test_an_entry_keeps_who_accepted(store: Store) -> None:
    """When the log shows the new value, the acceptance is still on record."""
    id = opened(store)
    become(store, id, "accepted")
    become(store, id, "entered")
    assert (stored(store, id).status, stored(store, id).by) == ("entered", "op1")


def test_an_answer_to_another_proposal_is_refused(store: Store) -> None:
    """What is accepted is what was shown: a stale digest is refused and the proposal stays open."""
    id = opened(store)
    with pytest.raises(UsageError, match="not the one that was shown"), store.writing(later(1)) as tx:
        review.accept(tx, PEOPLE, id, "op1", digest=digest(b"another"))
    assert stored(store, id).status == "open"


def test_somebody_unknown_cannot_accept(store: Store) -> None:
    """The message names the people of the cell and where to add one."""
    id = opened(store)
    with (
        pytest.raises(UsageError, match=r"found person 'op9'; wanted one of cell\.toml: fm1, op1, pe1"),
        store.writing(later(1)) as tx,
    ):
        review.accept(tx, PEOPLE, id, "op9")


def test_a_person_without_the_duty_cannot_accept(store: Store) -> None:
    """The process engineer owns the limits, not the machine."""
    id = opened(store)
    with (
        pytest.raises(UsageError, match=r'\'pe1\' may not review.*may = \["limits"\].*those who may: fm1, op1'),
        store.writing(later(1)) as tx,
    ):
        review.accept(tx, PEOPLE, id, "pe1")


def test_a_rejection_needs_a_reason(store: Store) -> None:
    """A rejection without a word teaches nobody anything."""
    id = opened(store)
    with pytest.raises(UsageError, match="found no reason"), store.writing(later(1)) as tx:
        review.reject(tx, PEOPLE, id, "op1", "  ")
    assert stored(store, id).status == "open"


def test_an_unknown_proposal_is_answered_with_the_known_ones(store: Store) -> None:
    """A mistyped id shows what could have been meant."""
    id = opened(store)
    with (
        pytest.raises(UsageError, match=f"no proposal 'p-zzzzzz'; open or accepted now: {id}"),
        store.writing(later(1)) as tx,
    ):
        review.accept(tx, PEOPLE, "p-zzzzzz", "op1")


def test_one_register_has_one_proposal_at_a_time(store: Store) -> None:
    """Two corrections of one register at once would count the same error twice."""
    id = opened(store)
    with pytest.raises(UsageError, match=f"M1 tool 5 radius: proposal {id} is still open"):
        opened(store, "-0.007")
    become(store, id, "rejected")
    assert opened(store, "-0.007") != id


def test_an_id_holds_no_word_and_nothing_to_misread(store: Store) -> None:
    """Consonants only: no word by chance, no 0 for O, no 1 for l."""
    assert re.fullmatch("p-[bcdfghjkmnpqrstvwxz]{6}", opened(store))


def test_the_same_correction_proposed_again_gets_an_id_of_its_own(store: Store) -> None:
    """An id is never used twice, even when a withdrawn correction comes back word for word."""
    ids = set()
    for _ in range(3):
        ids.add(opened(store))
        become(store, _live(store)[0], "withdrawn")
    assert len(ids) == 3
    assert len({stored(store, id).digest for id in ids}) == 1


def test_the_digest_seals_what_is_shown(store: Store) -> None:
    """The digest a reviewer answers to can be recomputed from the proposal itself."""
    found = stored(store, opened(store))
    text = '{"cause":"wear","change":"-0.006","new":"-0.018","now":"-0.012","register":"tool 5 radius"}'
    assert found.digest == digest(text.encode())


def test_a_reading_that_moved_the_wrong_way_locks_the_register(store: Store) -> None:
    """After a sign error nothing is proposed for the register until a person has released it."""
    id = opened(store)
    become(store, id, "entered")
    become(store, id, "wrong-way")
    with store.reading() as sql:
        assert queries.holds(sql, "M1") == {RADIUS: queries.Hold("moved by -0.011 mm, promised 0.012 mm", False)}
    with (
        pytest.raises(UsageError, match=r"'op1' may not release: cell\.toml gives may = .\"review\"."),
        store.writing(later(3)) as tx,
    ):
        review.release(tx, PEOPLE, "M1", RADIUS, "op1", "radius had been entered as diameter")
    with store.writing(later(3)) as tx:
        assert review.release(tx, PEOPLE, "M1", RADIUS, "fm1", "radius had been entered as diameter") == "lock"
    with store.reading() as sql:
        assert queries.holds(sql, "M1") == {RADIUS: queries.Hold(None, False)}


def test_a_release_for_growth_lasts_for_one_correction(store: Store) -> None:
    """A tool does not grow: what was allowed once is not allowed for good."""
    with store.writing(later(1)) as tx:
        assert review.release(tx, PEOPLE, "M1", RADIUS, "fm1", "edge was swapped unrecorded") == "growth"
    with store.reading() as sql:
        assert queries.holds(sql, "M1")[RADIUS].growth_released
    with pytest.raises(UsageError, match="released already"), store.writing(later(1)) as tx:
        review.release(tx, PEOPLE, "M1", RADIUS, "fm1", "again")
    become(store, opened(store), "entered")
    with store.reading() as sql:
        assert not queries.holds(sql, "M1")[RADIUS].growth_released


def test_a_lock_stops_only_its_own_register(store: Store) -> None:
    """The neighbouring tool goes on."""
    with store.writing(later(1)) as tx:
        review.lock(tx, "M1", RADIUS, "wrong way")
    with store.reading() as sql:
        assert list(queries.holds(sql, "M1")) == [RADIUS]
        assert queries.holds(sql, "M2") == {}
