"""What the board says, made without a server: reader, shop, history, limits, CSV."""

import json
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest

import feedback
from feedback.board import csvtext, history, limits
from feedback.board.reader import Reader, reader_of
from feedback.board.shop import shop
from feedback.board.source import Since
from feedback.board.times import told
from feedback.heartbeat import Beat
from feedback.ledger import queries
from feedback.ledger.chain import Event
from tests.stories.story import RADIUS, Story, machine

ZONE = ZoneInfo("Europe/Lisbon")
NOW = datetime(2025, 3, 3, 9, 0, tzinfo=UTC)
AT_WORK = Reader("at-work", 0)


def us(at: datetime) -> int:
    return round(at.timestamp() * 1_000_000)


def document(*decisions: dict[str, Any], since: Since | None = None) -> dict[str, Any]:
    """The answer document of one machine."""
    found = {
        "machine": "M1",
        "answer": "wait",
        "unreadable": {"lines": 0, "newest": None},
        "decisions": list(decisions),
    }
    return {"cell": "Cell 3", "machines": [{**found, "since": since or Since(None, None)}]}


def entry(answer: str, **facts: Any) -> dict[str, Any]:
    """One register's decision."""
    return {"register": RADIUS, "answer": answer, "part": "118", "reasons": [], **facts}


# The reader ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("seconds", "state"), [(0, "at-work"), (12, "at-work"), (14, "late"), (3600, "late"), (-5, "at-work")]
)
def test_a_reader_is_late_after_two_missed_looks(seconds: float, state: str) -> None:
    """With a look every 5 s, 13 s without one is late, whatever an answer says."""
    beat = Beat(at_us=us(NOW), every_s=5.0, pid=1, computer="panel")
    assert reader_of(beat, us(NOW) + round(seconds * 1e6)).state == state


def test_a_reader_that_has_gone_is_remembered_by_its_last_look() -> None:
    """The page can say since when nobody reads."""
    known = reader_of(Beat(at_us=us(NOW), every_s=5.0, pid=1, computer="panel"), us(NOW))
    assert reader_of(None, us(NOW) + 10**9, known) == Reader("away", us(NOW))


# The shop ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("reader", [Reader("away"), Reader("late", us(NOW)), Reader("at-work", 0, (), ("M1",))])
def test_an_answer_nobody_keeps_up_is_not_the_present_one(reader: Reader) -> None:
    """Without a reader, with a late one, or with the machine's folder away, the answer is not known."""
    (slip,) = shop(document(entry("leave")), reader, "", ZONE, NOW).slips
    assert not slip.is_known
    assert slip.unknown


@pytest.mark.parametrize(
    ("decision", "headline", "to_do"),
    [
        (entry("leave"), "Leave it alone", "Nothing to do."),
        (entry("wait"), "Wait", "Go on; cut and probe the next part."),
        (entry("hold"), "Hold", "Change nothing now; see what is missing."),
        (entry("hold", locked="went wrong"), "Hold", "Find out what happened; then a person releases the register."),
        (entry("stop"), "Stop and inspect", "Inspect part 118 before the next one."),
    ],
)
def test_every_answer_comes_with_one_thing_to_do(decision: dict[str, Any], headline: str, to_do: str) -> None:
    """Three seconds are enough to know what to do."""
    (slip,) = shop(document(decision), AT_WORK, "", ZONE, NOW).slips
    assert (slip.headline, slip.to_do) == (headline, to_do)


def test_an_accepted_correction_waits_to_be_entered() -> None:
    """The one thing to do is then at the machine, not on the page."""
    page = {"now": "0.000", "new": "-0.004", "change": "-0.004", "unit": "mm", "stored_as": "radius"}
    decision = entry("correct", proposal={"id": "p-bcdfgh", "status": "accepted", "page": page})
    (slip,) = shop(document(decision), AT_WORK, "", ZONE, NOW).slips
    assert slip.once == "Enter it: tool 5 radius"
    assert slip.change == "0.000 -> -0.004 mm (-0.004 mm)"
    assert slip.to_do.startswith("Load or key in the snippet")


def test_a_machine_without_a_part_says_so() -> None:
    """Nothing read is not the same as nothing to do."""
    (slip,) = shop(document(), AT_WORK, "", ZONE, NOW).slips
    assert (slip.headline, slip.mark) == ("Nothing read yet", "wait")


def test_times_are_told_as_people_tell_them() -> None:
    """The hour today, the day this year, the year else; Lisbon keeps UTC in winter and UTC+1 in summer."""
    assert told(us(NOW), ZONE, NOW) == "09:00"
    assert told(us(NOW), ZONE, NOW.replace(month=7)) == "3 Mar, 09:00"
    assert told(us(NOW.replace(month=7)), ZONE, NOW.replace(year=2026)) == "3 Jul 2025, 10:00"


def test_an_answer_is_dated_back_to_the_part_it_began_with(tmp_path: Any) -> None:
    """Since when something is asked for is a question to the history, and a release or a new part answers it anew."""
    story = Story(tmp_path / "cell", machine()).cut(parts=6)
    for _ in range(20):
        if story.cut(wear_um=0.4).answer() == "correct":
            break
    answers = story.answers_on()
    first = len(answers) - answers[::-1].index("leave") if "leave" in answers else 0
    began = next(i for i in range(len(answers) - 1, -1, -1) if i == 0 or answers[i - 1] != "correct")
    with story.cell.store.reading() as sql:
        said = queries.said_since(sql.rows, "M1", RADIUS, "correct")
        assert said == queries.SaidSince(str(101 + began), is_longer=False)
        assert queries.said_since(sql.rows, "M1", RADIUS, "stop") is None
        newest = queries.newest_part(sql.rows, "M1")
    assert newest is not None
    assert newest.name == str(100 + len(answers))
    assert first <= began
    story.cell.close()


# The history ---------------------------------------------------------------------------------------------------------


def test_amounts_of_the_history_have_a_unit(story: Story, id: str) -> None:
    """Who reads a row, or a spreadsheet of them, need not know what the control counts in."""
    with story.cell.store.reading() as sql:
        events = queries.story(sql, None, ("proposed",))
    (row,) = history.rows(events, history.Filter(), ZONE)
    assert row.change == f"{row.old} → {row.new} mm"
    assert dict(zip(history.HEAD, row.cells(), strict=True))["unit"] == "mm"


def test_the_history_can_be_filtered_and_paged(story: Story, id: str) -> None:
    """By machine, kind, register, person and words, and by the number before which to go on."""
    story.cell.reject(id, by="op1", why="the edge is chipped", now=story.now())
    with story.cell.store.reading() as sql:
        events = queries.story(sql, None, tuple(history.KINDS))
    every = history.rows(events, history.Filter(), ZONE)

    def asked(**query: str) -> list[str]:
        return [row.kind for row in history.rows(events, history.Filter.of(query), ZONE)]

    assert [row.number for row in every] == sorted((row.number for row in every), reverse=True)
    assert asked(person="op1") == asked(words="CHIPPED") == asked(kind="rejected") == ["rejected"]
    assert asked(register="tool 5", kind="proposed") == ["proposed"]
    assert asked(machine="M2") == []
    assert asked(before=str(every[0].number)) == [row.kind for row in every[1:]]
    assert asked(before="9" * 40) == asked(before="-1") == asked(before="x") == [row.kind for row in every]


def test_a_doubt_names_its_probe_and_no_proposal() -> None:
    """The number by which a doubt is kept does not stand where proposals stand."""
    content = {"id": 23, "probe": 1, "why": "ring RING1 read 0.00308 mm too big"}
    event = Event(4, us(NOW), "doubted", "M1", json.dumps(content), None, "", "")
    (row,) = history.rows([event], history.Filter(), ZONE)
    assert (row.proposal, row.words) == ("", "probe 1; ring RING1 read 0.00308 mm too big")


@pytest.mark.parametrize("cell", ["=1+1", "+1+1", "-1+1", "@SUM(A1)", "\t=1", "\r=1", "  =1", "-", '=HYPERLINK("x")'])
def test_a_formula_is_defused(cell: str) -> None:
    """A reason somebody typed runs nothing in quality's spreadsheet."""
    assert csvtext.safe(cell).startswith("'")


@pytest.mark.parametrize("cell", ["-0.005", "+12", "118", "0.000", "M1", "measured = twice", ""])
def test_numbers_and_words_stay_as_they_are(cell: str) -> None:
    """A negative correction is still a number in the spreadsheet."""
    assert csvtext.safe(cell) == cell


def test_csv_keeps_commas_quotes_and_lines_in_their_cell() -> None:
    """RFC 4180: quoted, quotes doubled, CRLF between records."""
    text = csvtext.csv_text(("a", "b"), [('x, "y"', "two\nlines"), (None, 3)])
    assert text == 'a,b\r\n"x, ""y""","two\nlines"\r\n,3\r\n'


# The limits ----------------------------------------------------------------------------------------------------------


def test_every_limit_stands_with_its_reason_and_its_place(tmp_path: Any) -> None:
    """The shop's own comment beside its own number; else the shipped reason; the narrowest table wins."""
    text = '[default]\nband = "25 %"  # scrap costs more than a stop\n\n[register."M1 tool 5 radius"]\nband = "20 %"\n'
    story = Story(tmp_path / "cell", machine(), limits=text)
    lines = {
        register: {line.key: line for line in table.lines}
        for table in limits.tables(story.cell.configuration)
        for register in table.registers["M1"]
    }
    story.cell.close()
    wide, narrow = lines["work 54 X"], lines[RADIUS]
    assert (wide["band"].value, wide["band"].reason, wide["band"].stated) == (
        "25 %", "scrap costs more than a stop", "limits.toml:2",
    )  # fmt: skip
    assert (narrow["band"].value, narrow["band"].stated) == ("20 %", "limits.toml:5")
    assert (narrow["step"].stated, narrow["step"].reason) == ("shipped", limits.REASONS["step"])
    assert set(narrow) <= set(limits.REASONS)


ASK_ONCE = """
import asyncio, os, sys
from pathlib import Path
from feedback.board.app import make
from feedback.board.settings import Settings

async def send(message):
    if message["type"] == "http.response.body":
        print(message["body"].decode())
        print(*sorted(sys.modules), flush=True)
        os._exit(0)

asked = {"type": "http", "method": "GET", "path": "/", "query_string": b"", "headers": [(b"host", b"localhost:8420")]}
asyncio.run(make(Path(sys.argv[1]), Settings())(asked, None, send))
"""


def test_the_board_needs_nothing_heavy_for_its_first_page(story: Story) -> None:
    """What answers first must not wait for the libraries of the trend, nor for a second library of threads."""
    import subprocess
    import sys

    said = subprocess.run(
        [sys.executable, "-c", ASK_ONCE, str(story.folder)], capture_output=True, text=True, check=True, timeout=60
    ).stdout
    page, found = said.rsplit("</html>", 1)
    assert "See the proposal" in page
    heavy = {"numpy", "pandas", "statsmodels", "scipy", "sqlalchemy", "pydantic", "anyio._backends"}
    assert not heavy & set(found.split())
    assert feedback.__name__ in found.split()
