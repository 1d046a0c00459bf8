"""Whatever happens in a shop, in whatever order: the tables always say what the events say."""

import tempfile
from datetime import datetime
from pathlib import Path

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from feedback.errors import UsageError
from feedback.ledger import chain, queries, review
from feedback.ledger.rebuild import differences
from feedback.ledger.store import Store, Writing
from tests.ledger.feeding import Feeder
from tests.ledger.shop import CORRECTION, PEOPLE, RADIUS, later

LINES = st.sampled_from(
    [
        "PART {n} PLAN 4101 DATE 20261125 TIME 0{h}4512",
        "PART {n} PLAN 4102",
        "PART {n}",
        "END {n}",
        "FEATURE 12 ACTUAL 24.9987 TEMP 22.4",
        "FEATURE 12 ACTUAL 0.98421 UNIT INCH DATE 20261124 TIME 235959",
        "FEATURE 13 ACTUAL -8.001",
        "FEATURE 13 ACTUAL -8,001",
        "FEATURE 99 ACTUAL 1",
        "MISS FEATURE 13",
        "OFFSET TOOL 5 RADIUS -0.01{h} LENGTH 0",
        "OFFSET WORK 54 X 102.345",
        "NEWTOOL 5",
        "NEWTOOL 7",
        "SETTER TOOL 5 LENGTH 132.4412",
        "ARTEFACT RING1 ACTUAL 40.0012",
        "CALIBRATION PROBE 1 RXP 2.9981 RXM",
        "REPEAT RING1 POINT 1 ACTUAL 40.0011",
        "\x00\xff",
        "%",
    ]
)
TEXTS = st.lists(st.tuples(LINES, st.integers(1, 3), st.integers(5, 9)), max_size=8).map(
    lambda lines: "".join(line.format(n=n, h=h) + "\n" for line, n, h in lines)
)
STREAMS = st.sampled_from([("s1", "M1"), ("s2", "M1"), ("m2", "M2")])
ANSWERS = st.sampled_from(["accept", "reject", "expire", "withdraw", "enter", "confirm", "unconfirmed", "wrong way"])


class Shop(RuleBasedStateMachine):
    """A cell's history grows by everything that can happen, also by transactions that fail."""

    @initialize()
    def begin(self) -> None:
        self.scratch = tempfile.TemporaryDirectory()
        self.folder = Path(self.scratch.name)
        self.store = Store.open(self.folder)
        self.feeder = Feeder(self.store, self.folder)
        self.hours = 0
        self.doubts: list[int] = []
        with self.store.writing(self.now()) as tx:
            self.feeder.configure(tx)

    def now(self) -> datetime:
        self.hours += 1
        return later(self.hours)

    @rule(stream=STREAMS, text=TEXTS, doubted=st.sets(st.integers(1, 12)))
    def take(self, stream: tuple[str, str], text: str, doubted: set[int]) -> None:
        with self.store.writing(self.now()) as tx:
            self.feeder.take(tx, text, *stream, doubted=sorted(doubted))

    @rule(stream=STREAMS, half=st.sampled_from(["", "FEATURE 12 ACT", "PART 9 PLAN 4101"]))
    def rotate_away(self, stream: tuple[str, str], half: str) -> None:
        with self.store.writing(self.now()) as tx:
            self.feeder.close(tx, half, *stream)
        # what comes under that name afterwards is another stream
        self.feeder.taken.pop(stream[0], None)

    @rule(upper=st.sampled_from(["0.015", "0.020"]))
    def change_the_plan(self, upper: str) -> None:
        with self.store.writing(self.now()) as tx:
            self.feeder.configure(tx, upper)

    @rule(machine=st.sampled_from(["M1", "M2"]), change=st.sampled_from(["-0.006", "-0.004"]))
    def propose(self, machine: str, change: str) -> None:
        try:
            with self.store.writing(self.now()) as tx:
                review.open_proposal(tx, machine, RADIUS, {**CORRECTION, "change": change})
        except UsageError:
            pass

    @rule(answer=ANSWERS, which=st.integers(0, 5))
    def answer(self, answer: str, which: int) -> None:
        with self.store.reading() as sql:
            found = queries.proposals(sql, statuses=("open", "accepted", "entered"))
        if not found:
            return
        id = found[which % len(found)].id
        try:
            with self.store.writing(self.now()) as tx:
                _answer(tx, answer, id)
        except UsageError:
            pass

    @rule(machine=st.sampled_from(["M1", "M2"]), lock=st.booleans())
    def lock_or_release(self, machine: str, lock: bool) -> None:
        try:
            with self.store.writing(self.now()) as tx:
                if lock:
                    review.lock(tx, machine, RADIUS, "wrong way")
                else:
                    review.release(tx, PEOPLE, machine, RADIUS, "fm1", "looked at it")
        except UsageError:
            pass

    @rule(result=st.sampled_from(["passed", "failed", "void"]))
    def check_the_probe(self, result: str) -> None:
        """Every check is kept, and what a failed one casts doubt on is marked, backwards and from then on."""
        with self.store.writing(self.now()) as tx:
            id, place = tx.numbers.probe_check, [tx.at_us, 3]
            check = {"probe": 1, "what": "artefact", "artefact": "RING1", "at": place, "result": result}
            tx.append("checked", "M1", {"checks": [check, {**check, "what": "calibration", "artefact": None}]})
            state = {"probe": 1, "state": "failed" if result == "failed" else "fit", "words": result}
            tx.append("probe-state", "M1", state)
            if result == "failed":
                since = [chain.microseconds(later(-48)), -1]
                tx.append("doubted", "M1", {"id": id, "probe": 1, "since": since, "until": None, "words": "ring"})
                self.doubts.append(id)

    @precondition(lambda self: self.doubts)
    @rule(hours=st.integers(-30, 10), which=st.integers(0, 5))
    def end_a_doubt(self, hours: int, which: int) -> None:
        id = self.doubts[which % len(self.doubts)]
        with self.store.writing(self.now()) as tx:
            tx.append("doubt-ended", "M1", {"id": id, "until": [chain.microseconds(later(hours)), 2], "why": "passed"})

    @precondition(lambda self: self.doubts)
    @rule(which=st.integers(0, 5))
    def lift_a_doubt(self, which: int) -> None:
        id = self.doubts[which % len(self.doubts)]
        with self.store.writing(self.now()) as tx:
            tx.append("doubt-lifted", "M1", {"probe": 1, "ids": [id], "by": "fm1", "why": "a chip"})
            for proposal in queries.proposals(tx.sql, "M1"):
                tx.append("flagged", "M1", {"id": proposal.id, "why": "probe 1: ring"})

    @rule(text=TEXTS)
    def fail_half_way(self, text: str) -> None:
        """A transaction that is not kept leaves no trace, not even used-up ids. Its reader is another one."""
        stray = Feeder(self.store, self.folder)
        stray.configuration = self.feeder.configuration
        try:
            with self.store.writing(self.now()) as tx:
                stray.take(tx, text, "stray")
                raise InterruptedError
        except InterruptedError:
            pass

    @rule()
    def restart(self) -> None:
        self.store.close()
        self.store = Store.open(self.folder)
        self.feeder.store = self.store

    @precondition(lambda self: hasattr(self, "store"))
    @invariant()
    def the_tables_say_what_the_events_say(self) -> None:
        with self.store.reading() as sql:
            assert chain.verify(queries.events(sql)) is None
            assert differences(sql, self.folder) == []

    def teardown(self) -> None:
        if hasattr(self, "store"):
            self.store.close()
            self.scratch.cleanup()


def _answer(tx: Writing, answer: str, id: str) -> None:
    match answer:
        case "accept":
            review.accept(tx, PEOPLE, id, "op1")
        case "reject":
            review.reject(tx, PEOPLE, id, "fm1", "torn surface")
        case "expire":
            review.expire(tx, id, "old")
        case "withdraw":
            review.withdraw(tx, id, "gone")
        case "enter":
            review.enter(tx, id, "-0.018", "M1/s1.txt:3")
        case "confirm":
            review.confirm(tx, id, "moved")
        case "unconfirmed":
            review.leave_unconfirmed(tx, id, "did not move")
        case "wrong way":
            review.find_wrong_way(tx, id, "moved back")


TestShop = Shop.TestCase
TestShop.settings = settings(max_examples=12, stateful_step_count=15)
