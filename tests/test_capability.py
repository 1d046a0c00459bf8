"""Capability of a cell's features: on what it may rest, and what is said where it may not."""

import shutil
from pathlib import Path
from typing import Any

import pytest

import feedback
from feedback.errors import UsageError
from tests.commands.saying import SAMPLES
from tests.stories.conftest import (
    Tell,
    tell,  # noqa: F401  # a fixture
)


def features_of(sample: str, folder: Path) -> dict[str, dict[str, Any]]:
    """The capability of every feature of one sample cell."""
    shutil.copytree(SAMPLES / sample, folder / sample)
    with feedback.open_cell(folder / sample) as cell:
        cell.process()
        (machine,) = cell.capability("M1")["machines"]
    return {one["feature"]: one for one in machine["features"]}


def test_a_correction_begins_a_new_stretch(tmp_path: Path) -> None:
    """A tool that wears 1 um a part and is corrected every 12 parts: five stretches, each with that drift about it."""
    bore = features_of("tool-worn-out", tmp_path)["5220/1"]

    assert [one["parts"] for one in bore["stretches"]] == [12] * 5
    assert [one["begins_with"] for one in bore["stretches"]][:2] == [None, "tool 3 radius 0.000 -> -0.006"]
    assert all(one["slope_per_part"] == pytest.approx(-1.0, abs=0.15) for one in bore["stretches"])
    assert bore["capability"]["trend_compensated_sd"] == pytest.approx(1.0, abs=0.3)


def test_drift_counts_in_performance_and_not_in_trend_compensated_capability(tmp_path: Path) -> None:
    """The same bore is capable about its drift and much less so as it was made; both are said, with their sigma."""
    bore = features_of("tool-worn-out", tmp_path)["5220/1"]

    assert bore["capability"]["cpk"]["value"] > 2 * bore["capability"]["ppk"]["value"]
    assert any("trend-compensated sigma" in words for words in bore["words"])
    assert any("drift included" in words for words in bore["words"])


def test_a_new_tool_begins_a_new_stretch_of_its_own_features_only(tmp_path: Path) -> None:
    """A new edge of tool 3 says nothing about what another tool cuts."""
    features = features_of("new-edge", tmp_path)

    assert features["5220/1"]["stretches"][-1]["begins_with"] == "new tool 3"
    assert [one["begins_with"] for one in features["5220/5"]["stretches"]] == [None]


def test_a_process_that_only_scatters_is_one_stretch_with_an_interval(tmp_path: Path) -> None:
    """Sixty parts of noise: the index stands inside its own confidence interval."""
    bore = features_of("noise-only", tmp_path)["4101/12"]
    index = bore["capability"]["cpk"]

    assert bore["capability"]["parts"] == 60
    assert index["low"] < index["value"] < index["high"]
    assert index["confidence"] == 0.95


def test_too_few_parts_give_words_instead_of_an_index(tell: Tell) -> None:  # noqa: F811
    """Five parts are no stretch: there is no figure, and the words say what is missing."""
    story = tell().cut(5)
    (machine,) = story.cell.capability()["machines"]

    assert all(one["capability"] is None for one in machine["features"])
    assert all("no stretch has 8 parts" in one["words"][0] for one in machine["features"])


def test_a_machine_nobody_knows_is_refused(tell: Tell) -> None:  # noqa: F811
    """The answer names the machines there are."""
    with pytest.raises(UsageError, match="M1"):
        tell().cell.capability("M9")
