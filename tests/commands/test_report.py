"""`trueup report` and `trueup probe study`: what is handed over with a machine, and what a study says."""

import base64
from html.parser import HTMLParser
from math import cos, pi, sin
from pathlib import Path
from random import Random
from xml.etree import ElementTree

import pytest

from tests.commands.saying import says, trueup
from tests.stories.conftest import Tell
from tests.stories.parts import COVER_PLATE
from tests.stories.shop import SimulatedMachine
from tests.stories.story import Story
from tests.stories.test_fitness import GOOD, RING, calibrate, configured, ring, shop, when


@pytest.fixture
def commissioned(tell: Tell) -> Story:
    """Calibrated, touched twelve times at two points, checked, and a few parts cut."""
    story = calibrate(shop(tell), GOOD)
    scatter = Random(5)
    for point in (1, 2):
        touches = [f"ACTUAL {40.0008 + scatter.gauss(0, 0.0007):.4f}" for _ in range(12)]
        story.write("".join(f"REPEAT RING1 POINT {point} {touch} {when(story)}\n" for touch in touches))
    return ring(story, 0.4).cut(3)


@pytest.fixture
def circled(commissioned: Story) -> Story:
    """Beside that, 36 points around the ring with three lobes of 1 um, and four parts clamped and probed twice."""
    for k in range(36):
        angle = 2 * pi * k / 36
        radius = 20.0004 + 0.001 * cos(3 * angle)
        place = f"X {radius * cos(angle):.5f} Y {radius * sin(angle):.5f}"
        commissioned.write(f"REPEAT RING1 POINT {k + 100} ACTUAL {2 * radius:.5f} {place} {when(commissioned)}\n")
    scatter, clock = Random(3), when(commissioned)
    for part in [901, 902, 903, 904] * 2:
        reading = 25.010 + 0.003 * (part % 4) + scatter.gauss(0, 0.0006)
        commissioned.write(f"PART {part} PLAN 4101 {clock}\nFEATURE 12 ACTUAL {reading:.4f}\nEND {part}\n")
    return commissioned.deliver("")


class _Page(HTMLParser):
    """The words of a document, and whether every element that was opened was closed in order."""

    EMPTY = frozenset({"meta", "img", "br", "link"})

    def __init__(self, text: str) -> None:
        super().__init__()
        self.words = ""
        self.sources: list[str] = []
        self._open: list[str] = []
        self.feed(text)
        assert not self._open

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.sources += [value or "" for name, value in attrs if name in ("src", "href")]
        if tag not in self.EMPTY:
            self._open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self._open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words += data


def written(story: Story, kind: str, *more: str) -> _Page:
    said = trueup("report", kind, *more, cell=story.folder)
    path = story.folder / "reports" / f"{kind}-M1.html"
    assert (said.code, said.out) == (0, f"M1: {path}\n")
    return _Page(path.read_text(encoding="utf-8"))


def test_the_commissioning_report_tells_what_was_checked(commissioned: Story) -> None:
    """Certified size with every digit, each calibration verdict, the study, each feature's budget, the cautions."""
    words = written(commissioned, "commissioning").words

    assert "The probe is fit to measure." in words
    assert "40.00062" in words
    assert "pre-travel 0.0088 mm" in words
    assert "all points repeat alike" in words
    assert "Uncertainty budget of 4101/12" in words
    assert "cannot see the machine's own geometric errors" in words
    assert "Checkpoint of the history" in words


def test_the_report_shows_the_circle_and_the_gauge_study(circled: Story) -> None:
    """Quality finds the 2D error with its picture, and what clamping again adds by both methods, each by its name."""
    page = written(circled, "commissioning")
    pictures = [ElementTree.fromstring(base64.b64decode(one.partition("base64,")[2])) for one in page.sources]
    dots = [sum(1 for element in picture.iter() if element.get("class") == "point") for picture in pictures]

    assert "2D error 2.0 um" in page.words
    assert dots == [0, 36]
    assert "Parts clamped and probed again" in page.words
    assert "average and range" in page.words
    assert "ANOVA" in page.words
    assert "too few touches" not in page.words


def test_the_study_tells_the_circle_and_the_gauge_study(circled: Story) -> None:
    """The same at the terminal; the points around the ring are not told one by one."""
    said = trueup("probe", "study", cell=circled.folder).out

    assert "RING1: 2D error 2.0 um" in said
    assert "feature 4101/12: every part clamped and probed 2 times" in said
    assert said.count("gauge and handling take") == 2
    assert "point 100" not in said


def test_what_is_open_stands_first(tell: Tell) -> None:
    """A machine without calibration, check and study is not handed over as if nothing were missing."""
    words = written(shop(tell).cut(1), "commissioning").words
    first = words[: words.index("The machine as configured")]

    assert "The probe has not been checked yet." in first
    assert "run a repeatability study" in first


def test_a_report_needs_nothing_from_elsewhere(commissioned: Story) -> None:
    """The document is one file: its pictures are inside it and nothing is fetched when it is opened."""
    page = written(commissioned, "commissioning")
    assert page.sources
    assert all(source.startswith("data:image/svg+xml;base64,") for source in page.sources)


def test_names_from_a_log_cannot_write_into_a_report(tell: Tell) -> None:
    """An artefact named like markup is shown as text."""
    story = ring(calibrate(shop(tell), GOOD), 0.4)
    story.deliver(f"ARTEFACT R&<script>1 ACTUAL 40.0 {when(story)}\n").cut(1)
    assert (
        "this check says nothing about the probe: artefact 'R&<script>1' is unknown"
        in written(story, "commissioning").words
    )
    text = (story.folder / "reports" / "commissioning-M1.html").read_text(encoding="utf-8")
    assert "<script" not in text


def test_the_capability_report_says_which_sigma_it_used(commissioned: Story) -> None:
    """Trend-compensated and total sigma are named beside their indices, and on-machine readings are said to be such."""
    words = written(commissioned.cut(12), "capability", "--machine", "M1").words
    assert "trend-compensated" in words
    assert "Ppk" in words
    assert "own geometric errors do not show" in words


def test_the_document_as_json_says_the_same(commissioned: Story) -> None:
    """--json writes no file and holds what the document is made from."""
    (found,) = trueup("report", "commissioning", "--json", cell=commissioned.folder).document["reports"]
    assert found["answer"] == "The probe is fit to measure."
    assert found["study"]["machine"] == "M1"
    assert not (commissioned.folder / "reports").exists()


def test_the_study_says_how_the_probe_repeats_and_what_it_can_judge(commissioned: Story) -> None:
    """Each point with its scatter and interval, each tolerance with its share, and the line for cell.toml."""
    said = trueup("probe", "study", cell=commissioned.folder)

    assert said.code == 0
    assert "RING1 point 1: repeats to" in said.out
    assert "measuring takes" in said.out
    assert "for [machine.M1] in cell.toml: repeatability = " in said.out
    assert "cannot see the machine's own geometric errors" in said.out
    assert trueup("probe", "study", "--json", cell=commissioned.folder).document == commissioned.cell.study()


def test_a_study_without_touches_says_what_to_do(tell: Tell) -> None:
    """No REPEAT line in the log: the study asks for one instead of judging."""
    assert "run a repeatability study" in trueup("probe", "study", cell=shop(tell).cut(1).folder).out


def test_a_report_on_an_unknown_machine_is_refused(commissioned: Story, tmp_path: Path) -> None:
    """Nothing is written for a machine nobody knows."""
    out = tmp_path / "handed"
    says(trueup("report", "capability", "--machine", "M9", "--out", str(out), cell=commissioned.folder), 2, "M9", "M1")
    assert not out.exists()


def test_a_capability_report_says_that_the_probe_is_not_fit(commissioned: Story) -> None:
    """Readings in doubt are left out and said to be; nobody hands over a Cpk of a probe that has failed its check."""
    words = written(ring(commissioned.cut(9), 6.0), "capability").words
    assert "The probe is NOT fit to measure." in words
    assert "Left out, in doubt since" in words
    assert "the readings of 12 parts" in words
    assert "no reading to judge by: none was taken, or all are in doubt" in words


def test_an_inch_machine_is_handed_over_in_its_own_unit(tell: Tell) -> None:
    """What the log and the certificate say in inches stands in the report with the same digits."""
    story = tell(SimulatedMachine("M1", COVER_PLATE, seed="inch report", unit="inch"))
    text = RING.format(due="8 h").replace("40.00062 mm", "1.57483 in").replace("0.0008 mm", "0.00003 in")
    configured(story, text.replace("0.003 mm", "0.0001 in"))
    story.deliver(f"ARTEFACT RING1 ACTUAL 1.57486 TEMP 20 {when(story)}\n").cut(1)
    words = written(story, "commissioning").words

    for digits in ("1.57483 in", "0.00003 in", "read, inch", "1.574860", "1.574830"):
        assert digits in words
