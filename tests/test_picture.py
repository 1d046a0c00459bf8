"""The trend as a picture: well-formed, honest with hostile names, and laid out by a real browser without a clash."""

import math
import re
from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations
from typing import Any
from xml.etree import ElementTree

import pytest

from feedback.picture import Mark, Panel, plot, svg
from tests.write_picture import PICTURE, trend

SVG = "{http://www.w3.org/2000/svg}"
HOSTILE = "</text><script>alert('x')</script>&\"<b>"

PANEL = Panel(
    title="feature 12, bearing bore: 25 mm",
    parts=[str(101 + i) for i in range(24)],
    readings=[10.0 - 0.4 * i for i in range(24)],
    wild=[False] * 24,
    level=[10.0 - 0.4 * i for i in range(24)],
    spread=[0.5] * 24,
    lower=0.0,
    upper=21.0,
    band=3.15,
    before=0.4,
    after=10.9,
)


def read(text: str) -> Any:
    """The document, which must be well-formed XML."""
    return ElementTree.fromstring(text)


def marks_of(document: Any, kind: str) -> list[Any]:
    return [element for element in document.iter() if element.get("class") == kind]


def words(document: Any) -> list[str]:
    """What stands in the picture to be read; a proposal's name is not compared, it seals more than the picture."""
    return [re.sub(r"p-[a-z]{6}", "p-", "".join(element.itertext())) for element in document.iter(f"{SVG}text")]


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The picture of the demo's proposal, freshly made."""
    return trend(tmp_path_factory.mktemp("picture"))


# What is drawn -------------------------------------------------------------------------------------------------------


def test_every_reading_is_drawn_once() -> None:
    """Believed readings are dots, the others crosses, and a part that gave none leaves its place empty."""
    readings = [*PANEL.readings[:-1], math.nan]
    wild = [i == 3 for i in range(24)]
    document = read(svg("M1", [replace(PANEL, readings=readings, wild=wild)]))

    assert len(marks_of(document, "reading")) == 22
    assert len(marks_of(document, "wild")) == 1
    assert "part 104: +8.8 um, not believed" in "".join(marks_of(document, "wild")[0].itertext())


def test_a_smaller_reading_lies_lower() -> None:
    """Down is smaller: the picture cannot be read upside down."""
    dots = marks_of(read(svg("M1", [PANEL])), "reading")
    heights = [float(dot.get("cy")) for dot in dots]

    assert heights == sorted(heights)
    assert [float(dot.get("cx")) for dot in dots] == sorted(float(dot.get("cx")) for dot in dots)


@pytest.mark.parametrize("place", ["title", "panel", "part", "mark"])
def test_a_hostile_name_stays_a_name(place: str) -> None:
    """Whatever a log calls a part, it is text in the picture and never markup."""
    panel = replace(
        PANEL,
        title=HOSTILE if place == "panel" else PANEL.title,
        parts=[HOSTILE if place == "part" else part for part in PANEL.parts],
    )
    title = HOSTILE if place == "title" else "M1"
    document = read(svg(title, [panel], [Mark(4, HOSTILE if place == "mark" else "new tool")]))

    assert not list(document.iter(f"{SVG}script"))
    assert {element.tag.removeprefix(SVG) for element in document.iter()} <= {
        "svg", "title", "style", "text", "rect", "line", "polyline", "polygon", "circle", "path", "g",
    }  # fmt: skip
    assert any(HOSTILE[:30] in text for text in document.itertext())


@pytest.mark.parametrize("name", ["a\x00b", "a\x08b", "bell\x07", "\x1b[31m"])
def test_a_control_byte_in_a_name_does_not_break_the_picture(name: str) -> None:
    """XML knows no control characters; a name with one in it is shown without."""
    read(svg(name, [replace(PANEL, title=name, parts=[name] * 24)], [Mark(1, name)]))


def test_a_feature_nobody_has_read_is_drawn_empty() -> None:
    """Limits and target alone, no dot and no line, in the picture and in plain characters."""
    nothing = [math.nan] * 24
    panel = replace(PANEL, readings=nothing, level=nothing, spread=nothing, before=math.nan, after=math.nan)

    assert not marks_of(read(svg("M1", [panel])), "reading")
    assert not any(sign in "".join(plot(panel)) for sign in "oxab")


def test_one_part_is_enough_for_a_picture() -> None:
    """The first part of a new plan can be looked at."""
    panel = replace(PANEL, parts=["101"], readings=[3.0], wild=[False], level=[3.0], spread=[2.0])

    assert len(marks_of(read(svg("M1", [panel])), "reading")) == 1
    assert "".join(plot(panel)).count("o") == 1


def test_no_part_at_all_is_drawn_all_the_same() -> None:
    """A picture without panels, or of a panel without parts, is a picture and no error."""
    panel = replace(PANEL, parts=[], readings=[], wild=[], level=[], spread=[])
    read(svg("M1", []))
    read(svg("M1", [panel]))
    plot(panel)


@pytest.mark.parametrize("far", [25_000.0, -25_000.0, 1e12])
def test_a_reading_far_away_does_not_flatten_the_others(far: float) -> None:
    """A missed probe point 25 mm off stands at the edge; the limits keep a third of a finger of room."""
    readings = [*PANEL.readings[:5], far, *PANEL.readings[6:]]
    panel = replace(PANEL, readings=readings, wild=[i == 5 for i in range(24)])
    document = read(svg("M1", [panel]))

    upper, lower = (float(line.get("y1")) for line in marks_of(document, "limit"))
    assert lower - upper > 30
    frame = marks_of(document, "frame")[0]
    top, height = float(frame.get("y")), float(frame.get("height"))
    _, y = re.findall(r"[-\d.]+", marks_of(document, "wild")[0].get("d"))[:2]
    assert top - 6 <= float(y) <= top + height + 6


def test_a_guard_band_is_drawn_inside_both_limits() -> None:
    """Where the uncertainty of a reading is known, the picture shows from where on a part is stopped, and says so."""
    with_guard = svg("M1", [replace(PANEL, guard=4.2)])
    document = read(with_guard)
    upper, lower = (float(line.get("y1")) for line in marks_of(document, "limit"))
    inner = [float(line.get("y1")) for line in marks_of(document, "guard")]
    per_um = (lower - upper) / 21.0

    assert inner == pytest.approx([upper + 4.2 * per_um, lower - 4.2 * per_um], abs=0.2)
    assert "(guard band)" in with_guard
    assert "(guard band)" not in svg("M1", [PANEL])


# How a browser lays it out -------------------------------------------------------------------------------------------


@pytest.fixture
def page(browser: Any, request: pytest.FixtureRequest) -> Iterator[Any]:
    """An empty page, light unless the test asks for dark."""
    scheme = getattr(request, "param", "light")
    opened = browser.new_page(color_scheme=scheme, viewport={"width": 1000, "height": 900})
    yield opened
    opened.close()


def boxes(page: Any, picture: str) -> list[dict[str, Any]]:
    """Every text of the picture as the browser lays it out: words, and left, top, right, bottom in picture units."""
    page.set_content(f"<body style='margin:0'>{picture}</body>")
    found: list[dict[str, Any]] = page.evaluate(
        """() => [...document.querySelectorAll('svg text')].map(text => {
            const box = text.getBoundingClientRect();
            return {words: text.textContent, left: box.left, top: box.top, right: box.right, bottom: box.bottom};
        })"""
    )
    return found


def cut_off(page: Any, texts: list[dict[str, Any]]) -> list[str]:
    frame = page.evaluate(
        "() => { const b = document.querySelector('svg').getBoundingClientRect();"
        " return {left: b.left, top: b.top, right: b.right, bottom: b.bottom}; }"
    )
    return [
        text["words"]
        for text in texts
        if text["left"] < frame["left"]
        or text["right"] > frame["right"]
        or text["top"] < frame["top"]
        or text["bottom"] > frame["bottom"]
    ]


def clashes(texts: list[dict[str, Any]]) -> list[tuple[str, str]]:
    """Pairs of texts that run into one another by more than a pixel."""
    return [
        (one["words"], other["words"])
        for one, other in combinations(texts, 2)
        if min(one["right"], other["right"]) - max(one["left"], other["left"]) > 1
        and min(one["bottom"], other["bottom"]) - max(one["top"], other["top"]) > 4
    ]


TIGHT = replace(PANEL, readings=[10.0] * 23 + [70.0], lower=8.0, upper=12.0)
LONG = replace(
    PANEL,
    title="feature 4101/12, " + "bearing bore of the pump body on the side of the drive " * 3 + ": 25 mm",
    parts=[f"2025-03-03-order-4711-{i:03}" for i in range(24)],
    lower=-1234.5,
    upper=1234.5,
    unit="mdeg",
)


@pytest.mark.parametrize(
    "panel", [PANEL, TIGHT, LONG, replace(PANEL, guard=4.2)], ids=["usual", "tight limits", "long names", "guarded"]
)
def test_no_text_is_cut_off_or_runs_into_another(panel: Panel, page: Any) -> None:
    """Long names, limits close together, five digits: all of it can be read."""
    texts = boxes(page, svg("M1 tool 5 radius: 0.000 to -0.005 mm (p-bcdfgh)", [panel, panel], [Mark(9, "new tool")]))

    assert not cut_off(page, texts)
    assert not clashes(texts)


def test_no_text_of_the_demo_is_cut_off_or_runs_into_another(demo: str, page: Any) -> None:
    """The first picture a new user sees can be read in full."""
    texts = boxes(page, demo)

    assert len(texts) > 20
    assert not cut_off(page, texts)
    assert not clashes(texts)


@pytest.mark.parametrize("page", ["light", "dark"], indirect=True)
def test_text_stands_out_from_its_ground_in_light_and_dark(demo: str, page: Any) -> None:
    """Contrast of text to ground is at least 7 to 1 in both schemes (WCAG 2.2, 1.4.6)."""
    boxes(page, demo)
    ink, ground = page.evaluate(
        """() => [getComputedStyle(document.querySelector('svg text')).fill,
                  getComputedStyle(document.querySelector('svg')).backgroundColor]"""
    )
    bright, dim = sorted((luminance(ink), luminance(ground)), reverse=True)
    assert (bright + 0.05) / (dim + 0.05) >= 7


def luminance(colour: str) -> float:
    """Relative luminance of "rgb(r, g, b)" (WCAG 2.2, definition of relative luminance)."""
    shares = [int(value) / 255 for value in re.findall(r"\d+", colour)[:3]]
    linear = [share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4 for share in shares]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_the_picture_in_the_readme_is_what_the_demo_draws(demo: str) -> None:
    """Whoever changes the picture or the sample makes it anew: python -m tests.write_picture."""
    kept, made = read(PICTURE.read_text(encoding="utf-8")), read(demo)

    assert words(kept) == words(made)
    for kind in ("reading", "wild", "limit", "before", "after"):
        assert len(marks_of(kept, kind)) == len(marks_of(made, kind)), kind
