"""The trend as a picture: an SVG that prints well and reads in light and dark, and one in plain characters. Pure.

Shape and label carry every meaning; colour only repeats it.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from feedback.drawing import (
    LEFT,
    LEGEND_LINE,
    TOP,
    Scale,
    frame,
    line,
    names,
    points,
    rule,
    sheet,
    stripe,
    style,
    values,
    xml,
)
from feedback.inches import PLACES

PANEL, GAP, BOTTOM = 230, 46, 44
PanelUnit = Literal["um", "mdeg", "in"]
DECIMALS: Mapping[PanelUnit, int] = {"um": 1, "mdeg": 1, "in": PLACES}

_STYLE = style(
    """
.guard{stroke:#a3261d;stroke-width:1;stroke-dasharray:3 3}
.target{stroke:currentColor;stroke-width:1;stroke-dasharray:2 4}
.band{fill:#8a97a3;fill-opacity:.16}.level{fill:none;stroke:#0b5cad;stroke-width:2}.range{fill:#0b5cad;fill-opacity:.14}
.reading{fill:currentColor}.wild{fill:none;stroke:currentColor;stroke-width:1.6}
.change{stroke:currentColor;stroke-width:1;stroke-dasharray:1 3}
.before{fill:none;stroke:#0b5cad;stroke-width:2}.after{fill:#0b5cad}
.frame{fill:none;stroke:currentColor;stroke-opacity:.35}
""",
    ".level,.before{stroke:#7db8f5}.range,.after{fill:#7db8f5}.guard{stroke:#ff8a7f}",
)
_LEGEND = (
    "dots: readings   cross: not believed   line: filtered level, 95 % interval   grey stripe: band, leave it alone",
    "open diamond: the next part this can reach, unchanged   full diamond: the same with the change",
)
_GUARD_LEGEND = "fine line beside a limit: between the two (guard band) no reading tells a good part from a bad one"


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """One feature over the parts. Deviations from nominal in `unit`; nan where there is nothing.

    `level` and `spread` are the filter's expectation after each part and its standard deviation;
    `before` and `after` the next part it can still reach without and with the proposed change.
    """

    title: str
    parts: Sequence[str]
    readings: Sequence[float]
    wild: Sequence[bool]
    level: Sequence[float]
    spread: Sequence[float]
    lower: float
    upper: float
    band: float  # half width of the band around the target; while the prediction stays inside, leave it alone
    guard: float = 0.0  # width of the guard band inside each limit: there no reading tells good from bad
    before: float = math.nan
    after: float = math.nan
    unit: PanelUnit = "um"
    at_us: Sequence[int] = ()  # when each part was measured
    doubts: Sequence[str] = ()  # why other readings of each part are not believed

    @property
    def target(self) -> float:
        return (self.lower + self.upper) / 2

    @property
    def places(self) -> int:
        """Decimals that a deviation is told with."""
        return DECIMALS[self.unit]

    def told(self, value: float) -> str:
        """A deviation in words: "+1.3 um"."""
        return f"{value:+.{self.places}f} {self.unit}"


@dataclass(frozen=True, slots=True)
class Mark:
    """Something that happened just before the part at `index`: a changed register, a new tool."""

    index: int
    words: str


def svg(title: str, panels: Sequence[Panel], marks: Sequence[Mark] = ()) -> str:
    """The whole picture as one SVG document."""
    legend = (*_LEGEND, _GUARD_LEGEND) if any(panel.guard for panel in panels) else _LEGEND
    foot = TOP + len(panels) * (PANEL + GAP) + BOTTOM
    height = foot + LEGEND_LINE * (len(legend) - len(_LEGEND))
    body = "".join(_panel(panel, marks, TOP + i * (PANEL + GAP)) for i, panel in enumerate(panels))
    return sheet(title, title, _STYLE, height, body, legend, foot - 30)


def _ending(part: str, most: int = 9) -> str:
    """What fits under the axis: long part names differ at their end."""
    return part if len(part) <= most else f"…{part[1 - most :]}"


def _scale(panel: Panel, top: float) -> Scale:
    shown = (*panel.readings, panel.lower, panel.upper, panel.before, panel.after)
    known = [value for value in shown if math.isfinite(value)]
    # One wild reading far away must not flatten everything else: the picture ends at three tolerances.
    reach = 3 * (panel.upper - panel.lower)
    low = max(min(known), panel.target - reach)
    high = min(max(known), panel.target + reach)
    margin = 0.08 * (high - low)
    # one place more than parts, for the part to come
    return Scale(top, PANEL, len(panel.parts) + 1, low - margin, high + margin)


def _panel(panel: Panel, marks: Sequence[Mark], top: float) -> str:
    scale = _scale(panel, top)
    pieces = [
        f'<text x="{LEFT}" y="{top - 8}">{xml(panel.title, 95)}</text>',
        frame(scale),
        stripe(scale, panel.target - panel.band, panel.target + panel.band),
        rule(scale, panel.upper, "limit", f"upper limit {panel.told(panel.upper)}"),
        rule(scale, panel.target, "target", f"target {panel.told(panel.target)}"),
        rule(scale, panel.lower, "limit", f"lower limit {panel.told(panel.lower)}"),
        *_guards(scale, panel),
        *(_mark(scale, mark) for mark in marks),
        _range(scale, panel),
        line(scale, panel.level, "level"),
        *_readings(scale, panel),
        *_next_part(scale, panel),
        *names(scale, [_ending(part) for part in panel.parts], math.ceil(len(panel.parts) / 10)),
        *values(scale, f"deviation from nominal, {panel.unit}"),
    ]
    return "".join(pieces)


def _guards(scale: Scale, panel: Panel) -> Iterable[str]:
    """The inner edges of the guard bands; the legend says what they are."""
    if panel.guard:
        yield rule(scale, panel.upper - panel.guard, "guard", "")
        yield rule(scale, panel.lower + panel.guard, "guard", "")


def _mark(scale: Scale, mark: Mark) -> str:
    x = scale.x(mark.index - 0.5)
    return (
        f'<line class="change" x1="{x:.1f}" x2="{x:.1f}" y1="{scale.top}" y2="{scale.top + PANEL}"/>'
        f'<text class="small" transform="translate({x - 4:.1f} {scale.top + PANEL - 6}) rotate(-90)">'
        f"{xml(mark.words, 34)}</text>"
    )


def _range(scale: Scale, panel: Panel) -> str:
    """The 95 % interval of the filtered level."""
    known = [
        (i, v, 1.96 * s) for i, (v, s) in enumerate(zip(panel.level, panel.spread, strict=True)) if math.isfinite(v)
    ]
    upper = [(scale.x(i), scale.y(v + s)) for i, v, s in known]
    lower = [(scale.x(i), scale.y(v - s)) for i, v, s in reversed(known)]
    return f'<polygon class="range" points="{points(upper + lower)}"/>'


def _readings(scale: Scale, panel: Panel) -> Iterable[str]:
    for i, (value, wild) in enumerate(zip(panel.readings, panel.wild, strict=True)):
        if not math.isfinite(value):
            continue
        x, y = scale.x(i), scale.y(value)
        told = f"part {panel.parts[i]}: {panel.told(value)}{', not believed' if wild else ''}"
        words = f"<title>{xml(told)}</title>"
        if wild:
            cross = f"M{x - 5:.1f} {y - 5:.1f}L{x + 5:.1f} {y + 5:.1f}M{x - 5:.1f} {y + 5:.1f}L{x + 5:.1f} {y - 5:.1f}"
            yield f'<path class="wild" d="{cross}">{words}</path>'
        else:
            yield f'<circle class="reading" cx="{x:.1f}" cy="{y:.1f}" r="3">{words}</circle>'


def _next_part(scale: Scale, panel: Panel) -> Iterable[str]:
    x = scale.x(len(panel.parts))
    for value, kind in ((panel.before, "before"), (panel.after, "after")):
        if math.isfinite(value):
            y = scale.y(value)
            diamond = points([(x, y - 7), (x + 7, y), (x, y + 7), (x - 7, y)])
            yield f'<polygon class="{kind}" points="{diamond}"/>'


def plot(panel: Panel, width: int = 64, height: int = 13) -> list[str]:
    """The newest readings of one feature in plain characters.

    `o` reading, `x` not believed, `-` limit, `.` target, `b` next part unchanged, `a` with the change.
    """
    first = max(0, len(panel.parts) - width + 6)
    scale = _scale(panel, 0)
    grid = [[" "] * width for _ in range(height)]

    def row(value: float) -> int:
        return round((height - 1) * scale.share(value))

    for value, sign in ((panel.lower, "-"), (panel.upper, "-"), (panel.target, ".")):
        grid[row(value)] = [sign] * width
    for i, (value, wild) in enumerate(zip(panel.readings[first:], panel.wild[first:], strict=True)):
        if math.isfinite(value):
            grid[row(value)][i] = "x" if wild else "o"
    for value, sign in ((panel.before, "b"), (panel.after, "a")):
        if math.isfinite(value):
            grid[row(value)][min(width - 2, len(panel.parts) - first + 2)] = sign
    labels = {row(v): f"{v:+8.{panel.places}f}" for v in (panel.lower, panel.target, panel.upper)}
    return [f"{labels.get(i, ''):>9} |{''.join(line).rstrip()}" for i, line in enumerate(grid)]
