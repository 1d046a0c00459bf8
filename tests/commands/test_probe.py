"""`trueup probe`: what the commissioning engineer and quality are told of the probe."""

from pathlib import Path
from xml.etree import ElementTree

import pytest

from tests.commands.saying import says, trueup
from tests.stories.conftest import Tell
from tests.stories.story import Story
from tests.stories.test_fitness import GOOD, calibrate, ring, shop

INCOMPLETE = "RXP 2.9912 RXM 2.9914 RYP 2.9913 RYM OFFX 0.0021 OFFY -0.0008 LENGTH 147.3312 BALL 6"


@pytest.fixture
def checked(tell: Tell) -> Story:
    """Calibrated, checked before every part; the twelfth check reads the ring 4 um too big."""
    story = calibrate(shop(tell), GOOD)
    for error_um in (0.3, -0.4, 0.1, 0.5, -0.2, 0.2, -0.3, 0.4, 0.0, -0.1, 0.2, 4.0):
        ring(story, error_um).cut()
    return story


def test_a_probe_that_failed_its_check_is_a_reason_to_look(checked: Story) -> None:
    """The answer comes first, then what failed, then the parts that are in doubt by it; exit code 3."""
    said = trueup("probe", cell=checked.folder)

    assert said.code == 3
    assert said.out.startswith("M1 probe 1: NOT fit to measure")
    assert "FAILED" in said.out
    assert "IN DOUBT since" in said.out
    assert "2 parts: " in said.out  # the one before the check that failed, and the one after it


def test_a_fit_probe_is_said_to_be_fit_and_needs_nobody(tell: Tell) -> None:
    """Calibration and check passed: exit code 0."""
    story = ring(calibrate(shop(tell), GOOD), 0.4).cut(2)
    said = trueup("probe", "--machine", "M1", cell=story.folder)

    assert said.code == 0
    assert "fit to measure" in said.out
    assert "NOT" not in said.out
    assert "IN DOUBT" not in said.out


def test_an_incomplete_calibration_names_the_missing_value(tell: Tell) -> None:
    """The value that did not land in the control is named."""
    story = calibrate(shop(tell), INCOMPLETE).cut(1)
    said = trueup("probe", cell=story.folder)
    assert said.code == 3
    assert "FAILED  missing RYM" in said.out


def test_a_check_that_cannot_be_read_is_named_with_what_to_do(tell: Tell) -> None:
    """A decimal comma on the ring's line: where it stands, what was found and wanted, and that it does not count."""
    story = ring(calibrate(shop(tell), GOOD), 0.4).cut(1)
    story.deliver("artefact RING1 ACTUAL 40,0012 TEMP 20\nREPEAT RING1 POINT 1 ACTUAL\nFEATURE 99 ACTUAL 1\n")
    said = trueup("probe", cell=story.folder).out.splitlines()

    head = said.index("M1: lines on checks and repeats that cannot be understood and do not count: 2")
    assert "M1/" in said[head + 1]
    assert "40,0012" in said[head + 1]
    assert "decimal" in said[head + 1]
    assert "ACTUAL" in said[head + 2]
    assert said[head + 3] == "    mend what prints them, then probe the artefact again"


def test_the_history_names_the_probe_and_not_the_number_of_a_doubt(checked: Story) -> None:
    """Cast and lifted: which probe, why, by whom; the number by which a doubt is kept means nothing to anybody."""
    trueup("probe", "lift", "M1", "--by", "pe", "--why", "swarf on the ring", cell=checked.folder)
    said = trueup("history", cell=checked.folder).out.splitlines()

    cast, lifted = (next(line for line in said if f" {kind} " in line) for kind in ("doubted", "doubt-lifted"))
    assert "doubted       probe 1  ring RING1 read 0.00398 mm too big" in cast
    assert lifted.endswith("doubt-lifted  probe 1  by pe  swarf on the ring")


def test_the_chart_is_drawn_with_every_check_on_it(checked: Story, tmp_path: Path) -> None:
    """Eleven good checks are dots, the one beyond the limit is a cross; the picture is well-formed."""
    said = trueup("probe", "--picture", str(tmp_path / "charts"), cell=checked.folder)
    (path,) = (tmp_path / "charts").iterdir()
    picture = ElementTree.fromstring(path.read_text(encoding="utf-8"))
    kinds = [element.get("class") for element in picture.iter()]

    assert str(path) in said.out
    assert kinds.count("check") == 11
    assert kinds.count("beyond") == 1


def test_the_plain_chart_marks_the_check_beyond_the_limit(checked: Story) -> None:
    """On a terminal the chart says the same: dots within, a cross beyond."""
    lines = [line.partition("|")[2] for line in trueup("probe", cell=checked.folder).out.splitlines() if " |" in line]
    assert sum(line.count("x") for line in lines) == 1
    assert sum(line.count("o") for line in lines) == 11


def test_the_document_is_the_cells_own(checked: Story) -> None:
    """--json prints what `cell.probe()` gives, charts included."""
    said = trueup("probe", "--json", cell=checked.folder)
    assert said.code == 3
    assert said.document == checked.cell.probe()


def test_a_person_lifts_the_doubt(checked: Story) -> None:
    """With a name and a reason the readings count again, and the history says who said so."""
    said = trueup("probe", "lift", "M1", "--by", "quality", "--why", "the ring was dirty", cell=checked.folder)
    assert said.code == 0
    assert "IN DOUBT" not in trueup("probe", cell=checked.folder).out
    (event,) = trueup("history", "--kind", "doubt-lifted", "--json", cell=checked.folder).document["events"]
    assert (event["by"], event["why"]) == ("quality", "the ring was dirty")


def test_an_operator_does_not_lift_doubts(checked: Story) -> None:
    """Who may only review corrections is told who may lift a doubt."""
    said = trueup("probe", "lift", "M1", "--by", "op1", "--why", "in a hurry", cell=checked.folder)
    says(said, 2, "op1", "may not release")


def test_an_unknown_machine_is_answered_with_the_known_ones(checked: Story) -> None:
    """A mistyped machine is a usage error."""
    says(trueup("probe", "--machine", "M9", cell=checked.folder), 2, "M9", "M1")
