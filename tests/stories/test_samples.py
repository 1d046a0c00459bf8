"""Every folder of sample_logs/ ends as its README says."""

import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

import feedback
from feedback.ledger import queries
from tests.stories.write_samples import ALL, SAMPLE_LOGS, samples

Answer = dict[str, Any]


@dataclass(frozen=True, kw_only=True)
class End:
    """How a sample must end: one register's answer, and the change proposed (from, to; mm) where it is to be corrected.

    `also` must end the same way; registers not named must be left alone.
    """

    register: str
    answer: str
    cause: str | None = None
    change_mm: tuple[float, float] | None = None
    held_by: str | None = None
    also: tuple[str, ...] = ()


_ALL_SIZES = ("tool 6 radius", "work 54 X", "work 54 Y")

# Ranges: the truth the machine was given, over one part's lag, give or take three standard deviations and one step.
ENDS = {
    "steady-wear": End(register="tool 5 radius", answer="correct", cause="wear", change_mm=(-0.006, -0.004)),
    "noise-only": End(register="tool 5 radius", answer="leave"),
    "new-edge": End(register="tool 3 radius", answer="correct", cause="new-edge", change_mm=(0.002, 0.005)),
    "shifted-part": End(register="work 54 X", answer="correct", cause="part-moved", change_mm=(0.033, 0.037)),
    "one-chip": End(register="tool 5 radius", answer="leave"),
    "conflicting-features": End(register="tool 5 radius", answer="hold", cause="conflict", held_by="conflict"),
    "inch-diameter": End(register="tool 2 radius", answer="correct", cause="wear", change_mm=(-0.00508, -0.00508)),
    "broken-text": End(register="tool 5 radius", answer="leave"),
    "columns-layout": End(register="tool 5 radius", answer="hold", cause="wear", held_by="register-known"),
    "hand-change": End(register="tool 3 radius", answer="leave"),
    "not-entered": End(register="tool 3 radius", answer="hold", cause="unknown", held_by="lock"),
    "wrong-way": End(register="tool 3 radius", answer="hold", cause="unknown", held_by="lock"),
    "tool-worn-out": End(register="tool 3 radius", answer="hold", held_by="travel"),
    "warm-up": End(register="work 54 Z", answer="correct", cause="warm-up", change_mm=(0.020, 0.020)),
    "probe-step": End(register="tool 5 radius", answer="hold", cause="probe", held_by="lock", also=_ALL_SIZES),
    "probe-drift": End(register="tool 5 radius", answer="hold", cause="probe", held_by="lock", also=_ALL_SIZES),
    "part-turned": End(register="work 54 X", answer="leave", cause="part-moved", also=("work 54 Y",)),
    "broken-tool": End(register="tool 6 radius", answer="stop", cause="tool-broken"),
    "unrecorded-edge": End(register="tool 5 radius", answer="hold", cause="new-edge", held_by="growth"),
    "two-tools": End(register="tool 5 radius", answer="hold", cause="unknown", held_by="lock", also=("tool 6 radius",)),
    "commissioning": End(register="tool 5 radius", answer="leave"),
    "incomplete-calibration": End(register="tool 5 radius", answer="hold", cause="wear", held_by="doubt"),
    "drifting-probe": End(register="tool 5 radius", answer="hold", held_by="doubt"),
    "hot-part": End(register="tool 8 radius", answer="leave"),
}


@pytest.fixture
def cell(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[feedback.Cell]:
    """The sample named by the test's parameter, copied so that its state does not land in the tree."""
    folder = tmp_path / "cell"
    shutil.copytree(SAMPLE_LOGS / request.param, folder)
    with feedback.open_cell(folder) as opened:
        yield opened


def decisions(document: Answer) -> dict[str, Answer]:
    (machine,) = document["machines"]
    return {entry["register"]: entry for entry in machine["decisions"]}


def test_folders_are_what_the_script_writes() -> None:
    """The samples are the simulated machine's own print, byte for byte, and nobody has mended one by hand."""
    found = {
        path.relative_to(SAMPLE_LOGS).as_posix(): path.read_bytes()
        for path in SAMPLE_LOGS.glob("*/**/*")
        if path.is_file() and path.name != "README.md"
    }
    assert found == samples()


def test_every_sample_is_explained_and_checked() -> None:
    """A sample without a README, a line in the index or an expected end helps nobody."""
    index = (SAMPLE_LOGS / "README.md").read_text(encoding="utf-8")
    for situation in ALL:
        assert (SAMPLE_LOGS / situation / "README.md").is_file()
        assert f"[{situation}]({situation}/README.md)" in index
    assert set(ENDS) == set(ALL)


@pytest.mark.parametrize(("cell", "end"), ENDS.items(), indirect=["cell"], ids=list(ENDS))
def test_sample_ends_as_its_readme_says(cell: feedback.Cell, end: End) -> None:
    """Processed at once, a sample ends with the answer, register, sign and size that its README promises."""
    answers = decisions(cell.process())

    found = answers.pop(end.register)
    for alike in (found, *(answers.pop(register) for register in end.also)):
        assert alike["answer"] == end.answer, alike
        assert end.cause in (None, alike["cause"])
    if end.held_by is not None:
        assert end.held_by in [reason["rule"] for reason in found["reasons"] if reason["verdict"] == "hold"]
    if end.change_mm is None:
        assert "proposal" not in found
    else:
        least, most = end.change_mm
        assert found["proposal"]["status"] == "open"
        assert least <= found["proposal"]["change_mm"] <= most
    assert {entry["answer"] for entry in answers.values()} <= {"leave"}, answers


@pytest.mark.parametrize("cell", ["inch-diameter"], indirect=True)
def test_inch_snippet_speaks_the_pages_language(cell: feedback.Cell) -> None:
    """On a page that holds diameters in inches, the snippet sets -0.0004, not the radius and not millimetres."""
    proposal = decisions(cell.process())["tool 2 radius"]["proposal"]
    text = (cell.folder / proposal["snippet"]).read_text(encoding="ascii")
    assert "R-0.0004" in text.replace(" ", "")


@pytest.mark.parametrize("cell", ["one-chip"], indirect=True)
def test_chip_stopped_the_run_once(cell: feedback.Cell) -> None:
    """The wild reading stops the run at its own part and nothing is ever proposed."""
    cell.process()
    history = cell.history()
    assert not set(history["kind"]) & {"proposed", "hand-change"}
    measured = cell.measurements()
    assert (measured["deviation_um"].abs() > 40).sum() == 1


@pytest.mark.parametrize("cell", ["hand-change", "tool-worn-out"], indirect=True)
def test_hand_changes_are_on_record(cell: feedback.Cell) -> None:
    """Every change that nobody proposed is kept with old value, new value and the line that showed it."""
    cell.process()
    history = cell.history()
    found = [change["to"] for change in history.loc[history["kind"] == "hand-change", "payload"]]
    expected = {1: ["-0.003"], 4: ["-0.006", "-0.012", "-0.018", "-0.024"]}
    assert found == expected[len(found)]


@pytest.mark.parametrize(
    ("cell", "gain", "said"),
    [("not-entered", 0.0, "was it entered at the tool that cuts"), ("wrong-way", -1.0, "moved the wrong way")],
    indirect=["cell"],
)
def test_a_change_that_did_something_else_is_told(cell: feedback.Cell, gain: float, said: str) -> None:
    """What the change really did is kept with its interval, and the hold says what to look for."""
    found = decisions(cell.process())["tool 3 radius"]
    (event,) = (event.content for event in _events(cell, "locked"))
    assert event["gain_low"] <= gain <= event["gain_high"]
    assert said in event["why"]
    assert event["why"] in found["reasons"][0]["words"]


def _events(cell: feedback.Cell, kind: str) -> list[Any]:
    with cell.store.reading() as sql:
        return queries.story(sql, kinds=(kind,))


# The probe's state, words that must stand in its reason, and the parts in doubt, at the end of a sample.
PROBES = {
    "steady-wear": ("unchecked", "no artefact", []),
    "commissioning": ("fit", "too small", []),
    "incomplete-calibration": ("failed", "missing RYM", ["915", "916", "917"]),
    "drifting-probe": ("failed", "0.00308 mm too big", ["1041", "1042", "1043", "1044"]),
    "hot-part": ("fit", "too small", []),
}


@pytest.mark.parametrize(("cell", "end"), PROBES.items(), indirect=["cell"], ids=list(PROBES))
def test_probe_ends_as_its_readme_says(cell: feedback.Cell, end: tuple[str, str, list[str]]) -> None:
    """Whether the probe is fit to measure, why not, and which parts are in doubt for it."""
    cell.process()
    (machine,) = cell.probe()["machines"]
    (probe,) = machine["probes"]
    state, words, doubted = end
    assert probe["state"] == state
    assert words in probe["words"]
    assert [part for doubt in probe["doubts"] for part in doubt["parts"]] == doubted


@pytest.mark.parametrize("cell", ["drifting-probe"], indirect=True)
def test_a_drifting_probe_is_seen_before_it_fails(cell: feedback.Cell) -> None:
    """The chart has found the drift and says how far it still is from the limit."""
    cell.process()
    (chart,) = cell.probe()["machines"][0]["probes"][0]["charts"]
    assert chart["found"] == "drift"
    assert max(chart["error_um"][:-1]) < chart["error_limit_um"]


@pytest.mark.parametrize("cell", ["hot-part"], indirect=True)
def test_a_hot_part_reads_bigger_and_is_not(cell: feedback.Cell) -> None:
    """The spigot's readings rise by the aluminium's 6.6 um, and no register is thought to have moved."""
    answers = decisions(cell.process())
    measured = cell.measurements()
    spigot = measured.loc[measured["feature"] == "4101/14", "actual"].astype(float)
    assert (spigot.tail(8).mean() - spigot.head(14).mean()) * 1000 == pytest.approx(6.6, abs=1.0)
    assert abs(answers["tool 8 radius"]["error_mm"]) < 0.0015


@pytest.mark.parametrize("cell", ["tool-worn-out"], indirect=True)
def test_no_parts_are_left_of_a_worn_out_tool(cell: feedback.Cell) -> None:
    """Where the travel is used up, the answer says that no parts are left."""
    assert decisions(cell.process())["tool 3 radius"]["parts_left"] == 0


# What the bad line holds -> words that must stand in its reason.
FAULTS = {
    "FEATURE 12 ACTUAL 25,": "decimals use a point",
    "FEATURE 13 ACTUAL\n": "no value",
    "PART 607": "20250231",
    "FEATURE 99": "99",
    "UNIT CM": "CM",
    "FEATURE 12 ACTUAL 25.0103\n": "wanted a PART line before it",
    "39.O": "39.O",
    "END 618": "618",
    "FEATURE 13\N{DEGREE SIGN}": "ASCII",
    "FEATURE 41": "'4107'",
}


@pytest.mark.parametrize("cell", ["broken-text"], indirect=True)
def test_every_bad_line_is_kept_and_named(cell: feedback.Cell) -> None:
    """No line is dropped and none is guessed: each is kept whole with its place and with what was wanted."""
    cell.process()
    with cell.store.reading() as sql:
        kept = queries.unreadables(sql)
    (log,) = (cell.folder / "logs" / "M1").iterdir()
    printed = log.read_text(encoding="latin-1").splitlines()
    for row in kept:
        said = printed[row.line - 1].replace("\N{DEGREE SIGN}", "\\xb0").split()
        assert row.text.split()[:2] == said[:2]
        assert row.column >= 1
    for fault, words in FAULTS.items():
        assert any(fault in f"{printed[row.line - 1]}\n" and words in row.reason for row in kept), fault


@pytest.mark.parametrize("cell", ["broken-text"], indirect=True)
def test_no_bad_line_becomes_a_size(cell: feedback.Cell) -> None:
    """Good readings are measured, the inch reading is doubted, and the half-written last line waits for its end."""
    cell.process()
    measured = cell.measurements()
    # 24 parts of 7 readings, less 7 of part 607, 7 of part 621 and one each of six spoilt lines.
    assert len(measured) == 24 * 7 - 7 - 7 - 6
    believed = measured[measured["doubts"].isna()]
    assert believed["deviation_um"].abs().max() < 40
    (doubted,) = measured.loc[measured["doubts"].notna(), "doubts"]
    assert "25.4" in doubted
    assert "625" not in set(measured["part"])
