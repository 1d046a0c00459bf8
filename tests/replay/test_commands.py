"""`trueup replay` and `trueup tune` as people and programs use them."""

import shutil
from pathlib import Path

import numpy as np
import pytest
from lxml import etree

import feedback
from feedback.replay.one import decide_again
from feedback.simulate.scenarios import SITUATIONS
from feedback.simulate.writer import write_cell
from rules.limits import Limits
from tests.commands.saying import SAMPLES, says, trueup
from tests.replay import shop

PARTS = 500


@pytest.fixture(scope="module")
def month(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A cell with a month of uncorrected parts, read; not to be changed but for its reports."""
    folder = tmp_path_factory.mktemp("month") / "cell"
    write_cell(folder, SITUATIONS["steady"], PARTS, seed=7)
    with feedback.open_cell(folder) as cell:
        cell.process()
    return folder


@pytest.fixture
def sample(tmp_path: Path) -> Path:
    folder = tmp_path / "sample"
    shutil.copytree(SAMPLES / "hand-change", folder)
    with feedback.open_cell(folder) as cell:
        cell.process()
    return folder


def test_a_replay_says_what_it_found(month: Path, tmp_path: Path) -> None:
    """Table, corrections one by one, and a picture; nothing of the cell changes but its cache."""
    before = trueup("history", "--all", cell=month).out
    picture = tmp_path / "replay.svg"
    said = trueup("replay", "--quick", "--picture", picture, cell=month)
    assert said.code == 0
    assert "M1 tool 5 radius" in said.out
    assert "really none" in said.out
    root = etree.fromstring(picture.read_bytes())
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert len(root.findall("{*}polyline[@class='replayed']")) == 8
    assert trueup("history", "--all", cell=month).out == before


def test_a_replay_as_a_document(sample: Path) -> None:
    """A program gets the same: registers, corrections, and every recorded decision that came out the same."""
    document = trueup("replay", "--json", cell=sample).document
    assert document["schema"] == "trueup/1"
    assert document["recorded_decisions"]["count"] == document["recorded_decisions"]["same"] > 0
    assert document["decisions"] == []
    (line,) = [one for one in document["registers"] if one["register"] == "tool 3 radius"]
    assert (line["parts"], line["corrections"]) == (30, 0)  # the change there was made by hand: it stays


def test_other_limits_are_read_as_the_cells_own(sample: Path, tmp_path: Path) -> None:
    """A limits file to try is held to the same rules, and its faults are told by its own name and line."""
    limits = tmp_path / "wide.toml"
    limits.write_text('[default]\nband = 60\nbad = "1 mm"\n')
    says(trueup("replay", "--limits", limits, cell=sample), 2, f"{limits}:2", f"{limits}:3")
    says(
        trueup("replay", "--limits", tmp_path / "none.toml", cell=sample),
        2,
        "none.toml",
        "wanted a file like limits.toml",
    )
    limits.write_bytes(b'[default]\nband = "30 \xff%"\n')
    says(trueup("replay", "--limits", limits, cell=sample), 2, "byte 0xff", "UTF-8")


def test_what_cannot_be_replayed_is_said(sample: Path, month: Path, tmp_path: Path) -> None:
    """A span without parts, a machine or register that is not there, a moment that is none: no guess."""
    says(trueup("replay", "--since", "2031-01-01", cell=sample), 2, "no part of M1", "name another span")
    says(trueup("replay", "--machine", "M7", cell=sample), 2, "found machine 'M7'", "M1")
    says(trueup("replay", "--since", "yesterday", cell=sample), 2, "--since: found 'yesterday'", "2026-11-25")
    says(trueup("replay", "--since", "2026-02-02", "--until", "2026-02-01", cell=sample), 2, "later than --until")
    says(trueup("replay", "--logs", tmp_path / "none", cell=sample), 2, "there is no such folder")
    says(trueup("tune", "--register", "M1 tool 9 radius", cell=month), 2, "found register", "M1 tool 5 radius")


def test_a_folder_of_logs_is_replayed_under_the_cells_plans(sample: Path, tmp_path: Path) -> None:
    """Last year's files on a memory stick: read, decided on, and the cell's own history left alone."""
    logs = tmp_path / "stick"
    shutil.copytree(SAMPLES / "new-edge" / "logs" / "M1", logs)
    before = trueup("history", "--all", cell=sample).out
    document = trueup("replay", "--json", "--logs", logs, cell=sample).document
    (line,) = [one for one in document["registers"] if one["register"] == "tool 3 radius"]
    assert line["parts"] == 28
    assert document["recorded_decisions"]["count"] == document["recorded_decisions"]["same"]
    assert trueup("history", "--all", cell=sample).out == before
    assert not [path for path in logs.rglob("*") if path.name == "state"]


def test_tuning_a_short_past_proposes_nothing(sample: Path) -> None:
    """Thirty parts are no basis for limits, and it is said."""
    said = trueup("tune", "--workers", "1", cell=sample)
    assert said.code == 0
    assert "too short to choose" in said.out
    assert not (sample / "reports" / "limits.proposed.toml").exists()


def test_tuning_a_month_proposes_a_file_to_read(month: Path, tmp_path: Path) -> None:
    """The front, the choice, and a limits file with reasons; exit 3 asks a person to look; nothing is written over."""
    path = tmp_path / "proposed.toml"
    said = trueup("tune", "--workers", "1", "--write", path, cell=month)
    assert said.code == 3, said
    assert "<- chosen" in said.out
    assert "<- in force" in said.out
    assert "work: " in said.out
    assert "too stable to choose" in said.out
    text = path.read_text()
    assert "# The shipped defaults, written out" in text
    assert "[kind.tool]" in text
    assert trueup("replay", "--quick", "--limits", path, cell=month).code == 0
    says(trueup("tune", "--workers", "1", "--write", path, cell=month), 2, "is there already", "nothing was written")


def test_tables_for_a_notebook(month: Path) -> None:
    """In process the same comes as DataFrames, with what does not fit a table beside it."""
    with feedback.open_cell(month) as cell:
        replayed = cell.replay(recorded=False)
        tuned = cell.tune(register="M1 tool 5 radius")
    assert list(replayed["register"])[-1] == "all"
    assert replayed.attrs["corrections"][0]["replayed"]
    assert tuned["in_force"].sum() == 1
    assert tuned["on_front"].sum() >= 5
    assert len(tuned) > 80
    assert set(tuned.attrs["words"]) == {"M1 tool 5 radius"}


def test_tuned_limits_do_in_a_fresh_run_what_was_reported(month: Path) -> None:
    """Spread and corrections shown for the later span are those of other edges and other noise too, within chance."""
    with feedback.open_cell(month) as cell:
        frame = cell.tune()
    tool = frame[frame["scope"] == "tool"]
    (chosen,) = tool[tool["chosen"]].to_dict("records")
    limits = Limits(**{name: chosen[name] for name in ("band", "aim", "step_um", "settle", "evidence", "confidence")})
    spreads, corrections = zip(*(_fresh(limits, seed) for seed in range(21, 26)), strict=True)
    for reported, found in ((chosen["later_rms_um"], spreads), (chosen["later_per_100"], corrections)):
        # the difference of one run and the mean of five; three standard errors
        reach = 3 * np.std(found, ddof=1) * np.sqrt(1 + 1 / len(found))
        assert abs(reported - np.mean(found)) <= reach
    assert np.mean(spreads) == pytest.approx(chosen["later_rms_um"], rel=0.35)


def _fresh(limits: Limits, seed: int) -> tuple[float, float]:
    """RMS of the features tools move, and corrections for 100 parts, over the later 40 % of another run."""
    pasts = shop.uncorrected("steady", PARTS, seed)
    start, squares, read, entered = round(0.6 * PARTS), 0.0, 0, 0
    for past, lanes in zip(pasts, shop.lanes(pasts), strict=True):
        own = [limits if register.kind == "tool" else Limits() for register in past.group.registers]
        done = decide_again(past, lanes, own)
        tools = [column for column, register in enumerate(past.group.registers) if register.kind == "tool"]
        features = (past.sensitivity[:, tools] != 0).any(axis=1)
        rows = past.number >= start
        off = (done.read_um - (past.lower_um + past.upper_um) / 2)[rows][:, features]
        counts = ~np.isnan(off) & ~past.wild[rows][:, features]
        squares, read = squares + float(np.square(off[counts]).sum()), read + int(counts.sum())
        entered += sum(
            one.acts is not None and past.number[one.acts] >= start and one.column in tools for one in done.corrections
        )
    return float(np.sqrt(squares / read)), 100 * entered / (PARTS - start)
