"""The probe view: fit or not, in words, with the chart; doubts are lifted by a person."""

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

import feedback
from tests.board.serving import Served, somebody_reads
from tests.board.shops import PIN, SAMPLES, give_pins


@pytest.fixture(scope="module")
def drifting(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A board beside the cell whose probe drifted until its check failed."""
    folder = Path(shutil.copytree(SAMPLES / "drifting-probe", tmp_path_factory.mktemp("probe") / "cell"))
    with feedback.open_cell(folder) as cell:
        cell.process()
    give_pins(folder, ("op1", "quality"))
    somebody_reads(folder)
    with Served(folder) as board:
        yield board


def test_a_failed_check_is_said_with_its_parts_and_its_chart(drifting: Served) -> None:
    """State, what to do, the parts in doubt, the newest check first, and the chart as a picture that runs nothing."""
    page = drifting.ask("/probe").text
    assert "Not fit to measure" in page
    assert "Calibrate, then probe the artefact" in page
    assert "1041, 1042, 1043, 1044" in page
    assert page.index("<td>failed</td>") < page.index("<td>passed</td>")
    chart = drifting.ask("/probe/chart.svg?machine=M1&probe=1&artefact=RING1")
    assert chart.headers["content-type"] == "image/svg+xml"
    assert "script-src" not in chart.headers["content-security-policy"]
    assert drifting.ask("/probe/chart.svg?machine=M1&probe=9&artefact=RING1").status == 404


def test_the_shop_sends_to_the_probe(drifting: Served) -> None:
    """A machine that may not be believed says so where the operator looks."""
    page = drifting.ask("/").text
    assert "See the probe" in page
    assert "Hold" in page


def test_a_doubt_is_lifted_by_a_person_with_a_reason(drifting: Served) -> None:
    """Not by an operator without the right, not without a reason; then the readings count again."""
    page = drifting.ask("/probe")
    fields = {"token": page.field("token"), "machine": "M1", "probe": "1", "person": "quality", "pin": PIN,
              "words": "the ring was dirty; cleaned and probed by hand"}  # fmt: skip
    wrong = ({"person": "op1"}, {"words": ""}, {"pin": "1111"}, {"machine": "M9"}, {"probe": "x"}, {"token": ""})
    statuses = [drifting.ask("/probe/lift", {**fields, **one}, cookie=page.cookie).status for one in wrong]
    assert statuses == [409, 409, 403, 409, 409, 403]
    assert "Not fit to measure" in drifting.ask("/probe").text

    assert drifting.ask("/probe/lift", fields, cookie=page.cookie).status == 303
    assert "In doubt" not in drifting.ask("/probe").text
    assert "the ring was dirty" in drifting.ask("/history?kind=doubt-lifted").text
