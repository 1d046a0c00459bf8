"""The trend as a picture: an SVG that prints well and reads in light and dark, and one in plain characters. Pure.

Shape and label carry every meaning; colour only repeats it.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape

WIDTH, PANEL, GAP, LEFT, RIGHT, TOP = 860, 230, 46, 74, 160, 54
BOTTOM = 44

_STYLE = """
svg{background:#fff;color:#1a1f24;font:13px system-ui,sans-serif}
text{fill:currentColor}.small{font-size:11.5px}.title{font-size:15px;font-weight:600}
.limit{stroke:#a3261d;stroke-width:1.5;stroke-dasharray:9 4}
.target{stroke:currentColor;stroke-width:1;stroke-dasharray:2 4}
.band{fill:#8a97a3;fill-opacity:.16}.level{fill:none;stroke:#0b5cad;stroke-width:2}.range{fill:#0b5cad;fill-opacity:.14}
.reading{fill:currentColor}.wild{fill:none;stroke:currentColor;stroke-width:1.6}
.change{stroke:currentColor;stroke-width:1;stroke-dasharray:1 3}
.before{fill:none;stroke:#0b5cad;stroke-width:2}.after{fill:#0b5cad}
.frame{fill:none;stroke:currentColor;stroke-opacity:.35}
@media (prefers-color-scheme:dark){svg{background:#14181c;color:#e8ebee}.limit{stroke:#ff8a7f}
.level,.before{stroke:#7db8f5}.range,.after{fill:#7db8f5}}
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """One feature over the parts. Micrometres as deviations from nominal; nan where there is nothing.

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
    before: float = math.nan
    after: float = math.nan
    unit: str = "um"
    at_us: Sequence[int] = ()  # when each part was measured
    doubts: Sequence[str] = ()  # why other readings of each part are not believed

    @property
    def target(self) -> float:
        return (self.lower + self.upper) / 2


@dataclass(frozen=True, slots=True)
class Mark:
    """Something that happened just before the part at `index`: a changed register, a new tool."""

    index: int
    words: str


def svg(title: str, panels: Sequence[Panel], marks: Sequence[Mark] = ()) -> str:
    """The whole picture as one SVG document."""
    height = TOP + len(panels) * (PANEL + GAP) + BOTTOM
    body = "".join(_panel(panel, marks, TOP + i * (PANEL + GAP)) for i, panel in enumerate(panels))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" viewBox="0 0 {WIDTH} {height}"'
        f' width="{WIDTH}" height="{height}">'
        f"<title>{xml(title)}</title><style>{_STYLE}</style>"
        f'<text class="title" x="{LEFT}" y="26">{xml(title, 80)}</text>{body}{_legend(height - 30)}</svg>\n'
    )


def xml(words: str, most: int | None = None) -> str:
    """`words` as XML text, at most so many characters: no markup, and no control characters, which XML has not."""
    printable = "".join(sign for sign in words if sign.isprintable())
    return escape(printable if most is None or len(printable) <= most else f"{printable[: most - 1]}…")


def _ending(part: str, most: int = 9) -> str:
    """What fits under the axis: long part names differ at their end."""
    return part if len(part) <= most else f"…{part[1 - most :]}"


class _Scale:
    """From parts and micrometres to places on the picture."""

    def __init__(self, panel: Panel, top: float) -> None:
        self.top = top
        self._count = len(panel.parts) + 1  # one place more, for the part to come
        shown = (*panel.readings, panel.lower, panel.upper, panel.before, panel.after)
        values = [value for value in shown if math.isfinite(value)]
        # One wild reading far away must not flatten everything else: the picture ends at three tolerances.
        reach = 3 * (panel.upper - panel.lower)
        low = max(min(values), panel.target - reach)
        high = min(max(values), panel.target + reach)
        margin = 0.08 * (high - low)
        self.low, self.high = low - margin, high + margin

    def x(self, index: float) -> float:
        return LEFT + (index + 0.5) * (WIDTH - LEFT - RIGHT) / self._count

    def y(self, value: float) -> float:
        inside = min(max(value, self.low), self.high)
        return self.top + PANEL * (self.high - inside) / (self.high - self.low)


def _panel(panel: Panel, marks: Sequence[Mark], top: float) -> str:
    scale = _Scale(panel, top)
    right = WIDTH - RIGHT
    pieces = [
        f'<text x="{LEFT}" y="{top - 8}">{xml(panel.title, 95)}</text>',
        f'<rect class="frame" x="{LEFT}" y="{top}" width="{right - LEFT}" height="{PANEL}"/>',
        _stripe(scale, panel.target - panel.band, panel.target + panel.band),
        _rule(scale, panel.upper, "limit", f"upper limit {panel.upper:+.1f} {panel.unit}"),
        _rule(scale, panel.target, "target", f"target {panel.target:+.1f} {panel.unit}"),
        _rule(scale, panel.lower, "limit", f"lower limit {panel.lower:+.1f} {panel.unit}"),
        *(_mark(scale, mark) for mark in marks),
        _range(scale, panel),
        _line(scale, panel.level),
        *_readings(scale, panel),
        *_next_part(scale, panel),
        *_axis(scale, panel),
    ]
    return "".join(pieces)


def _stripe(scale: _Scale, low: float, high: float) -> str:
    y = scale.y(high)
    return f'<rect class="band" x="{LEFT}" y="{y:.1f}" width="{WIDTH - LEFT - RIGHT}" height="{scale.y(low) - y:.1f}"/>'


def _rule(scale: _Scale, value: float, kind: str, words: str) -> str:
    y = scale.y(value)
    return (
        f'<line class="{kind}" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>'
        f'<text class="small" x="{WIDTH - RIGHT + 6}" y="{y + 4:.1f}">{xml(words)}</text>'
    )


def _mark(scale: _Scale, mark: Mark) -> str:
    x = scale.x(mark.index - 0.5)
    return (
        f'<line class="change" x1="{x:.1f}" x2="{x:.1f}" y1="{scale.top}" y2="{scale.top + PANEL}"/>'
        f'<text class="small" transform="translate({x - 4:.1f} {scale.top + PANEL - 6}) rotate(-90)">'
        f"{xml(mark.words, 34)}</text>"
    )


def _points(pairs: Iterable[tuple[float, float]]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in pairs)


def _line(scale: _Scale, level: Sequence[float]) -> str:
    known = [(scale.x(i), scale.y(v)) for i, v in enumerate(level) if math.isfinite(v)]
    return f'<polyline class="level" points="{_points(known)}"/>'


def _range(scale: _Scale, panel: Panel) -> str:
    """The 95 % interval of the filtered level."""
    known = [
        (i, v, 1.96 * s) for i, (v, s) in enumerate(zip(panel.level, panel.spread, strict=True)) if math.isfinite(v)
    ]
    upper = [(scale.x(i), scale.y(v + s)) for i, v, s in known]
    lower = [(scale.x(i), scale.y(v - s)) for i, v, s in reversed(known)]
    return f'<polygon class="range" points="{_points(upper + lower)}"/>'


def _readings(scale: _Scale, panel: Panel) -> Iterable[str]:
    for i, (value, wild) in enumerate(zip(panel.readings, panel.wild, strict=True)):
        if not math.isfinite(value):
            continue
        x, y = scale.x(i), scale.y(value)
        told = f"part {panel.parts[i]}: {value:+.1f} {panel.unit}{', not believed' if wild else ''}"
        words = f"<title>{xml(told)}</title>"
        if wild:
            cross = f"M{x - 5:.1f} {y - 5:.1f}L{x + 5:.1f} {y + 5:.1f}M{x - 5:.1f} {y + 5:.1f}L{x + 5:.1f} {y - 5:.1f}"
            yield f'<path class="wild" d="{cross}">{words}</path>'
        else:
            yield f'<circle class="reading" cx="{x:.1f}" cy="{y:.1f}" r="3">{words}</circle>'


def _next_part(scale: _Scale, panel: Panel) -> Iterable[str]:
    x = scale.x(len(panel.parts))
    for value, kind in ((panel.before, "before"), (panel.after, "after")):
        if math.isfinite(value):
            y = scale.y(value)
            diamond = _points([(x, y - 7), (x + 7, y), (x, y + 7), (x - 7, y)])
            yield f'<polygon class="{kind}" points="{diamond}"/>'


def _axis(scale: _Scale, panel: Panel) -> Iterable[str]:
    every = max(1, math.ceil(len(panel.parts) / 10))
    for i in range(0, len(panel.parts), every):
        yield (
            f'<text class="small" text-anchor="middle" x="{scale.x(i):.1f}" y="{scale.top + PANEL + 16}">'
            f"{xml(_ending(panel.parts[i]))}</text>"
        )
    for value in ticks(scale.low, scale.high):
        yield (f'<text class="small" text-anchor="end" x="{LEFT - 8}" y="{scale.y(value) + 4:.1f}">{value:+g}</text>')
    yield (
        f'<text class="small" text-anchor="middle" transform="translate(16 {scale.top + PANEL / 2}) rotate(-90)">'
        f"deviation from nominal, {xml(panel.unit)}</text>"
    )


def ticks(low: float, high: float) -> list[float]:
    """About five round values between low and high."""
    rough = (high - low) / 5
    base = 10.0 ** math.floor(math.log10(rough))
    step = next(factor * base for factor in (1, 2, 5, 10) if factor * base >= rough)
    first = math.ceil(low / step)
    return [step * i + 0.0 for i in range(first, math.floor(high / step) + 1)]


_LEGEND = (
    "dots: readings   cross: not believed   line: filtered level, 95 % interval   grey stripe: band, leave it alone",
    "open diamond: the next part this can reach, unchanged   full diamond: the same with the change",
)


def _legend(y: float) -> str:
    lines = enumerate(_LEGEND)
    return "".join(
        f'<text class="small" x="{LEFT}" y="{y + 17 * i}" xml:space="preserve">{words}</text>' for i, words in lines
    )


def plot(panel: Panel, width: int = 64, height: int = 13) -> list[str]:
    """The newest readings of one feature in plain characters.

    `o` reading, `x` not believed, `-` limit, `.` target, `b` next part unchanged, `a` with the change.
    """
    first = max(0, len(panel.parts) - width + 6)
    scale = _Scale(panel, 0)
    grid = [[" "] * width for _ in range(height)]

    def row(value: float) -> int:
        inside = min(max(value, scale.low), scale.high)
        return round((height - 1) * (scale.high - inside) / (scale.high - scale.low))

    for value, sign in ((panel.lower, "-"), (panel.upper, "-"), (panel.target, ".")):
        grid[row(value)] = [sign] * width
    for i, (value, wild) in enumerate(zip(panel.readings[first:], panel.wild[first:], strict=True)):
        if math.isfinite(value):
            grid[row(value)][i] = "x" if wild else "o"
    for value, sign in ((panel.before, "b"), (panel.after, "a")):
        if math.isfinite(value):
            grid[row(value)][min(width - 2, len(panel.parts) - first + 2)] = sign
    labels = {row(v): f"{v:+8.1f}" for v in (panel.lower, panel.target, panel.upper)}
    return [f"{labels.get(i, ''):>9} |{''.join(line).rstrip()}" for i, line in enumerate(grid)]
