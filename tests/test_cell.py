"""A cell opened from Python: text in, answers out, one reader, and a configuration that changes under way."""

import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

import feedback
from feedback.errors import ConfigurationError, StoreError, UsageError
from feedback.ledger.store import Writing
from tests.stories.parts import cell_texts
from tests.stories.story import machine

SAMPLE = Path(__file__).parents[1] / "sample_logs" / "steady-wear"
NOW = datetime(2026, 1, 5, 12, tzinfo=UTC)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name, text in cell_texts([machine()]).items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(text, encoding="utf-8")
    (tmp_path / "logs" / "M1").mkdir(parents=True)
    return tmp_path


@pytest.fixture
def cell(folder: Path) -> Iterator[feedback.Cell]:
    with feedback.open_cell(folder) as opened:
        yield opened


def test_text_may_come_without_a_file_and_end_in_mid_line(cell: feedback.Cell) -> None:
    """A part streamed over a serial line in pieces is one part, counted once it is complete."""
    text = machine().cut()
    middle = len(text) // 2 + 3
    assert cell.feed("M1", text[:middle])["machines"][0]["decisions"] == []
    decisions = cell.feed("M1", text[middle:])["machines"][0]["decisions"]

    assert {entry["part"] for entry in decisions} == {"101"}
    assert cell.measurements("M1")["part"].unique().tolist() == ["101"]


def test_text_for_a_machine_that_is_not_there_is_refused(cell: feedback.Cell) -> None:
    """A slip in the machine's name must not open a second history."""
    with pytest.raises(UsageError, match=r"no machine 'M9'.*wanted one of M1"):
        cell.feed("M9", "PART 1\n")
    assert len(cell.history()) == 0


def test_reading_twice_brings_nothing_new(cell: feedback.Cell, folder: Path) -> None:
    """`process` in a cron job every minute: what has been taken is not taken again."""
    (folder / "logs" / "M1" / "a.txt").write_text(machine().cut())
    first = cell.process()
    count = len(cell.history())

    assert cell.process() == first
    assert len(cell.history()) == count


def test_one_reader_at_a_time_and_the_next_when_it_is_gone(cell: feedback.Cell, folder: Path) -> None:
    """The second is refused before it has taken anything; closing the first frees the cell."""
    cell.start_reading()
    with feedback.open_cell(folder) as second:
        with pytest.raises(StoreError, match=r"reader\.lock: another trueup reads"):
            second.process()
        cell.close()
        second.process()


def test_a_changed_configuration_is_taken_up_and_kept_in_the_history(cell: feedback.Cell, folder: Path) -> None:
    """Which limits were in force when is part of the evidence."""
    cell.process()
    assert cell.refresh() is False
    (folder / "limits.toml").write_text('[default]\nband = "20 %"\n')
    assert cell.refresh() is True
    cell.process()

    history = cell.history()
    kept = history.loc[history["kind"] == "configuration", "payload"].tolist()
    assert ["limits.toml" in payload["texts"] for payload in kept] == [False, True]
    assert cell.configuration.limits.default.band == pytest.approx(0.2)


def test_a_faulty_change_leaves_the_configuration_in_force(cell: feedback.Cell, folder: Path) -> None:
    """Until the slip is mended, everything goes on as before."""
    digest = cell.configuration.digest
    (folder / "limits.toml").write_text("[default]\nband = 20\n")

    with pytest.raises(ConfigurationError, match=r"limits\.toml:2: "):
        cell.refresh()
    assert cell.configuration.digest == digest
    assert cell.process()["machines"][0]["answer"] == "wait"


def test_a_log_folder_that_is_away_is_said(cell: feedback.Cell, folder: Path) -> None:
    """A share that is not mounted looks like a quiet machine; the answer says that it could not look."""
    (folder / "logs" / "M1").rmdir()
    (trouble,) = cell.process()["troubles"]
    assert str(folder / "logs" / "M1") in trouble


def test_measurements_come_exact_with_their_place(cell: feedback.Cell) -> None:
    """Quality reads every number back to file and line, in exact decimals."""
    text = machine().cut()
    cell.feed("M1", text)
    rows = cell.measurements("M1")
    lines = text.splitlines()

    assert len(rows) == sum(line.startswith("FEATURE") for line in lines)
    for _, row in rows.iterrows():
        assert f"FEATURE {str(row['feature']).split('/')[-1]} ACTUAL {row['actual']}" in lines[int(row["line"]) - 1]


def test_a_refused_write_counts_no_part_twice(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """When the store refuses in the middle of a text, the text is taken again and everything ends as if it had not."""
    folder = tmp_path / "cell"
    shutil.copytree(SAMPLE, folder)
    (log,) = (folder / "logs" / "M1").iterdir()
    text = log.read_text()
    half = text.rindex("PART ")
    append = Writing.append
    refusals = iter([True])

    def refuse_once(tx: Writing, kind: str, *rest: Any, **more: Any) -> int:
        if kind == "decided" and next(refusals, False):
            raise StoreError("the disk is full")
        return append(tx, kind, *rest, **more)

    def ending(cell: feedback.Cell) -> list[dict[str, Any]]:
        (machine,) = cell.process(now=NOW)["machines"]
        return [
            {key: entry[key] for key in ("register", "answer", "error_mm", "parts")} for entry in machine["decisions"]
        ]

    with feedback.open_cell(folder) as cell:
        log.write_text(text[:half])
        cell.process(now=NOW)
        log.write_text(text)
        with monkeypatch.context() as patched:
            patched.setattr(Writing, "append", refuse_once)
            with pytest.raises(StoreError, match="disk is full"):
                cell.process(now=NOW)
        disturbed = ending(cell)
    for path in (folder / "state").iterdir():
        path.unlink()
    with feedback.open_cell(folder) as cell:
        assert disturbed == ending(cell)


def test_a_start_that_failed_can_be_tried_again(folder: Path) -> None:
    """A faulty layout of the shop's own is mended, and the same cell goes on: its right to read was not lost."""
    with feedback.open_cell(folder) as cell:
        (folder / "layouts").mkdir()
        faulty = folder / "layouts" / "own.toml"
        faulty.write_text('kind = "nonsense"\n')
        with pytest.raises(ConfigurationError):
            cell.process(now=NOW)
        faulty.unlink()
        assert cell.process(now=NOW)["cell"]


def test_wear_of_a_bore_probed_on_each_third_part_is_told_per_part(folder: Path) -> None:
    """Parts of which the log shows no reading of the bore have worn its cutter too, over a restart as well."""
    shop = machine()
    text = shop.cut()
    for number in range(1, 46):
        shop.wear(5, radius_um=0.5)
        lines = shop.cut().splitlines(keepends=True)
        text += "".join(line for line in lines if number % 3 == 0 or not line.startswith("FEATURE"))
    middle = text.index("PART 131 ")
    with feedback.open_cell(folder) as first:
        first.feed("M1", text[:middle])
    with feedback.open_cell(folder) as again:
        (answer,) = again.feed("M1", text[middle:])["machines"]

    (radius,) = (entry for entry in answer["decisions"] if entry["register"] == "tool 5 radius")
    assert radius["slope_mm_per_part"] == pytest.approx(0.0005, abs=0.00015)
