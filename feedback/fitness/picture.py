"""The control chart of one artefact as a picture: an SVG that prints well, and one in plain characters. Pure.

Shape and label carry every meaning; colour only repeats it. What is drawn is what `chart_of` gave.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from feedback.picture import LEFT, RIGHT, TOP, WIDTH, ticks, xml

HEIGHT, FOOT = 230, 62
TIMES = 8  # written under the axis
REACH = 2.0  # error limits from zero that are shown

_STYLE: Final = """
svg{background:#fff;color:#1a1f24;font:13px system-ui,sans-serif}
text{fill:currentColor}.small{font-size:11.5px}.title{font-size:15px;font-weight:600}
.limit{stroke:#a3261d;stroke-width:1.5;stroke-dasharray:9 4}.control{stroke:currentColor;stroke-dasharray:2 3}
.centre{stroke:currentColor;stroke-opacity:.6}.frame{fill:none;stroke:currentColor;stroke-opacity:.35}
.check{fill:currentColor}.beyond{fill:none;stroke:currentColor;stroke-width:1.8}
.average{fill:none;stroke:#0b5cad;stroke-width:2}.average-limit{fill:none;stroke:#0b5cad;stroke-dasharray:5 4}
@media (prefers-color-scheme:dark){svg{background:#14181c;color:#e8ebee}.limit{stroke:#ff8a7f}
.average,.average-limit{stroke:#7db8f5}}
"""
_LEGEND: Final = (
    "dots: one check each   cross: beyond the error limit   thick line: moving average (EWMA) with its limits, dashed",
    "dotted: limits of a single check, from the checks' own scatter; in the average none counts more than they allow",
)

Chart = Mapping[str, Any]


def svg(chart: Chart, title: str) -> str:
    """One chart as a whole SVG document."""
    height = TOP + HEIGHT + FOOT + 20
    legend = "".join(
        f'<text class="small" x="{LEFT}" y="{height - 26 + 17 * k}" xml:space="preserve">{words}</text>'
        for k, words in enumerate(_LEGEND)
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}"'
        f' height="{height}"><title>{xml(title)}: {xml(chart["words"])}</title><style>{_STYLE}</style>'
        f'<text class="title" x="{LEFT}" y="26">{xml(title, 80)}</text>{"".join(_drawn(chart))}{legend}</svg>\n'
    )


@dataclass(frozen=True, slots=True)
class _Scale:
    """From the number of a check and micrometres to places on the picture."""

    count: int
    low: float
    high: float

    def x(self, check: float) -> float:
        return LEFT + (check + 0.5) * (WIDTH - LEFT - RIGHT) / max(1, self.count)

    def y(self, um: float) -> float:
        inside = min(max(um, self.low), self.high)
        return TOP + HEIGHT * (self.high - inside) / (self.high - self.low)


def _scale(chart: Chart) -> _Scale:
    limit = chart["error_limit_um"]
    reach = 1.1 * max(limit, min(REACH * limit, max((abs(um) for um in chart["error_um"]), default=0.0)))
    return _Scale(len(chart["error_um"]), -reach, reach)


def _drawn(chart: Chart) -> Iterator[str]:
    scale, limit = _scale(chart), chart["error_limit_um"]
    yield f'<rect class="frame" x="{LEFT}" y="{TOP}" width="{WIDTH - LEFT - RIGHT}" height="{HEIGHT}"/>'
    for um in (limit, -limit):
        yield _level(scale, um, "limit", f"error limit {um:+.1f} um")
    if chart["centre_um"] is not None:
        yield _level(scale, chart["centre_um"], "centre", f"centre {chart['centre_um']:+.2f} um")
        for um in (chart["upper_um"], chart["lower_um"]):
            yield _level(scale, um, "control", "")
    for name, kind in (("ewma_um", "average"), ("ewma_lower_um", "average-limit"), ("ewma_upper_um", "average-limit")):
        yield _line(scale, chart[name], kind)
    yield from _checks(scale, chart)
    yield from _axis(scale, chart)


def _level(scale: _Scale, um: float, kind: str, words: str) -> str:
    y = scale.y(um)
    return (
        f'<line class="{kind}" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>'
        f'<text class="small" x="{WIDTH - RIGHT + 6}" y="{y + 4:.1f}">{words}</text>'
    )


def _line(scale: _Scale, values: Sequence[float], kind: str) -> str:
    points = " ".join(f"{scale.x(k):.1f},{scale.y(um):.1f}" for k, um in enumerate(values))
    return f'<polyline class="{kind}" points="{points}"/>'


def _checks(scale: _Scale, chart: Chart) -> Iterator[str]:
    for k, (um, time) in enumerate(zip(chart["error_um"], chart["times"], strict=True)):
        x, y = scale.x(k), scale.y(um)
        words = f"<title>{xml(time)}: {um:+.2f} um</title>"
        if abs(um) > chart["error_limit_um"]:
            cross = f"M{x - 5:.1f} {y - 5:.1f}l10 10M{x - 5:.1f} {y + 5:.1f}l10 -10"
            yield f'<path class="beyond" d="{cross}">{words}</path>'
        else:
            yield f'<circle class="check" cx="{x:.1f}" cy="{y:.1f}" r="3.2">{words}</circle>'


def _axis(scale: _Scale, chart: Chart) -> Iterator[str]:
    times = chart["times"]
    for k in range(0, len(times), -(-len(times) // TIMES) or 1):
        yield (
            f'<text class="small" text-anchor="middle" x="{scale.x(k):.1f}" y="{TOP + HEIGHT + 16}">'
            f"{xml(_short(times[k]))}</text>"
        )
    for um in ticks(scale.low, scale.high):
        yield f'<text class="small" text-anchor="end" x="{LEFT - 8}" y="{scale.y(um) + 4:.1f}">{um:+g}</text>'
    yield (
        f'<text class="small" text-anchor="middle" transform="translate(16 {TOP + HEIGHT / 2}) rotate(-90)">'
        "error against the certificate, um</text>"
    )


def _short(time: str) -> str:
    """Day and time of day: "11-25 06:00"."""
    return time[5:16].replace("T", " ")


def plot(chart: Chart, width: int = 64, height: int = 11) -> list[str]:
    """The newest checks in plain characters: `o` a check, `x` beyond the error limit `-`, `~` the moving average."""
    first = max(0, len(chart["error_um"]) - width)
    scale = _scale(chart)
    grid = [[" "] * width for _ in range(height)]

    def row(um: float) -> int:
        return round((height - 1) * (scale.y(um) - TOP) / HEIGHT)

    limit = chart["error_limit_um"]
    for um in (limit, -limit):
        grid[row(um)] = ["-"] * width
    for k, um in enumerate(chart["ewma_um"][first:]):
        grid[row(um)][k] = "~"
    for k, um in enumerate(chart["error_um"][first:]):
        grid[row(um)][k] = "x" if abs(um) > limit else "o"
    labels = {row(um): f"{um:+8.1f}" for um in (limit, 0.0, -limit)}
    return [f"{labels.get(k, ''):>9} |{''.join(line).rstrip()}" for k, line in enumerate(grid)]
