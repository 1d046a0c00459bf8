"""Limits tried and adopted on the page: no silent change."""

import tomllib
from decimal import Decimal
from pathlib import Path

import pytest

from feedback.board.other_limits import KNOBS, Scope, changes, knobs_of, limits_text
from feedback.errors import UsageError
from rules.limits import Limits
from tests.board.serving import Answer, Served
from tests.board.shops import PIN
from tests.stories.story import RADIUS, Story

WIDE = Scope("default", "every register", ("default",), Limits())
OWN = '# ours\n[default]\nband = "25 %"  # scrap costs more than a stop\n\n[kind.work]\nstep = "0.010 mm"\n'


def test_what_nobody_touched_is_not_moved() -> None:
    """Every slider can stand exactly on what is in force, also on an odd number or one beyond the usual range."""
    odd = Scope("default", "every register", ("default",), Limits(band=0.33, step_um=127.0, confidence=0.987))
    for scope in (WIDE, odd):
        query = {knob.key: f"{setting:f}" for knob, setting in knobs_of(scope)}
        assert changes(query, scope) == {}
        assert all((setting - knob.low) % knob.by == 0 and setting <= knob.high for knob, setting in knobs_of(scope))


def test_what_was_moved_is_written_with_its_unit() -> None:
    """A share, a length and a count as limits.toml wants them."""
    moved = changes({"band": "20", "step": "0.012", "settle": "3", "aim": "50"}, WIDE)
    assert moved == {"band": "20 %", "step": "0.012 mm", "settle": "3"}


@pytest.mark.parametrize("text", ["", "nan", "1e9", "-5", "20 %", "999", "0"])
def test_a_number_that_is_none_is_refused(text: str) -> None:
    """An address typed by hand is answered with what was wanted."""
    with pytest.raises(UsageError, match="wanted a number from 5 to 80 %"):
        changes({"band": text}, WIDE)


def test_everything_else_in_the_file_stays() -> None:
    """Comments, tables and order are kept; the reason stands beside the moved limit and cannot leave its line."""
    text = limits_text(OWN, WIDE, {"band": "20 %"}, "less scrap\n[default]\nstep = 9")
    assert tomllib.loads(text) == {"default": {"band": "20 %"}, "kind": {"work": {"step": "0.010 mm"}}}
    assert text.startswith('# ours\n[default]\nband = "20 %" # less scrap')


@pytest.mark.parametrize(
    ("place", "wanted"),
    [
        (("default",), {"default": {"settle": 3}}),
        (("kind", "tool"), {"kind": {"tool": {"settle": 3}}}),
        (("register", "M1 tool 5 radius"), {"register": {"M1 tool 5 radius": {"settle": 3}}}),
    ],
)
def test_a_table_that_is_missing_is_made(place: tuple[str, ...], wanted: dict[str, object]) -> None:
    """From nothing, and beside what is there."""
    scope = Scope("x", "x", place, Limits())
    assert tomllib.loads(limits_text("", scope, {"settle": "3"})) == wanted
    assert tomllib.loads(limits_text(OWN, scope, {"settle": "3"}))["kind"]["work"] == {"step": "0.010 mm"}


def form(said: Answer, **changed: str) -> dict[str, str]:
    """The fields of a good adoption of what was tried."""
    return {"token": said.field("token"), "configuration": said.field("configuration"), "scope": said.field("scope"),
            "band": "15", "person": "pe", "pin": PIN, "words": "tighter after complaints", **changed}  # fmt: skip


def test_limits_are_tried_and_adopted_by_a_person_with_a_reason(board: Served, story: Story) -> None:
    """The replay stands beside what really came; adopting is an event, and the new limits are in force."""
    said = board.ask("/limits/tried?scope=default&band=15&settle=2")
    assert said.status == 200, said.text
    assert "What they would have done" in said.text
    assert RADIUS in said.text.split("What they would have done")[1]
    key = said.text.split("/limits/tried/")[1].split(".svg")[0]
    drawn = board.ask(f"/limits/tried/{key}.svg").text
    assert "<svg" in drawn
    assert "limits.toml on its past" in drawn
    assert "/limits.toml" not in drawn
    assert not (story.folder / "limits.toml").exists()

    refusals = [
        board.ask("/limits/adopt", form(said, **wrong), cookie=said.cookie)
        for wrong in (
            {"pin": "1111"},
            {"words": " "},
            {"person": "op1"},
            {"configuration": "sha256:0"},
            {"token": ""},
            {"band": "30"},
            {"band": "x"},
        )
    ]
    assert [answer.status for answer in refusals] == [403, 409, 409, 409, 403, 409, 409]
    assert not (story.folder / "limits.toml").exists()

    assert board.ask("/limits/adopt", form(said), cookie=said.cookie).status == 303
    kept = tomllib.loads((story.folder / "limits.toml").read_text(encoding="utf-8"))
    assert kept == {"default": {"band": "15 %"}}
    (event,) = story.events("limits-adopted")
    assert (event["by"], event["why"]) == ("pe", "tighter after complaints")
    shown = board.ask("/limits").text
    assert "<b>15 %</b></td><td>tighter after complaints</td>" in shown
    assert "limits adopted" in board.ask("/history").text


def test_nothing_moved_is_nothing_to_try(board: Served) -> None:
    """Pressing the button without moving anything is answered in words."""
    said = board.ask("/limits/tried?scope=default&band=30")
    assert said.status == 409
    assert "wanted at least one of them moved" in said.text
    assert board.ask("/limits?scope=nonsense").status == 404


def test_every_knob_is_a_limit(tmp_path: Path) -> None:
    """What can be moved on the page is what limits.toml knows."""
    assert {knob.key for knob in KNOBS} <= {"band", "aim", "step", "settle", "evidence", "confidence"}
    assert all(isinstance(knob.by, Decimal) and knob.low < knob.high for knob in KNOBS)
