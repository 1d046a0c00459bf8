"""The control chart of one artefact as a picture: an SVG that prints well, and one in plain characters. Pure.

Shape and label carry every meaning; colour only repeats it. What is drawn is what `chart_of` gave.
"""

from collections.abc import Iterator, Mapping
from typing import Any, Final

from feedback.drawing import TOP, Scale, frame, line, names, rule, sheet, style, values, xml

HEIGHT, FOOT = 230, 62
TIMES = 8  # written under the axis
REACH = 2.0  # error limits from zero that are shown

_STYLE: Final = style(
    """.control{stroke:currentColor;stroke-dasharray:2 3}
.centre{stroke:currentColor;stroke-opacity:.6}.frame{fill:none;stroke:currentColor;stroke-opacity:.35}
.check{fill:currentColor}.beyond{fill:none;stroke:currentColor;stroke-width:1.8}
.average{fill:none;stroke:#0b5cad;stroke-width:2}.average-limit{fill:none;stroke:#0b5cad;stroke-dasharray:5 4}
""",
    ".average,.average-limit{stroke:#7db8f5}",
)
_LEGEND: Final = (
    "dots: one check each   cross: beyond the error limit   thick line: moving average (EWMA) with its limits, dashed",
    "dotted: limits of a single check, from the checks' own scatter; in the average none counts more than they allow",
)

Chart = Mapping[str, Any]


def svg(chart: Chart, title: str) -> str:
    """One chart as a whole SVG document."""
    height = TOP + HEIGHT + FOOT + 20
    return sheet(title, f"{title}: {chart['words']}", _STYLE, height, "".join(_drawn(chart)), _LEGEND, height - 26)


def _scale(chart: Chart) -> Scale:
    limit = chart["error_limit_um"]
    reach = 1.1 * max(limit, min(REACH * limit, max((abs(um) for um in chart["error_um"]), default=0.0)))
    return Scale(TOP, HEIGHT, len(chart["error_um"]), -reach, reach)


def _drawn(chart: Chart) -> Iterator[str]:
    scale, limit = _scale(chart), chart["error_limit_um"]
    yield frame(scale)
    for um in (limit, -limit):
        yield rule(scale, um, "limit", f"error limit {um:+.1f} um")
    if chart["centre_um"] is not None:
        yield rule(scale, chart["centre_um"], "centre", f"centre {chart['centre_um']:+.2f} um")
        for um in (chart["upper_um"], chart["lower_um"]):
            yield rule(scale, um, "control", "")
    for name, kind in (("ewma_um", "average"), ("ewma_lower_um", "average-limit"), ("ewma_upper_um", "average-limit")):
        yield line(scale, chart[name], kind)
    yield from _checks(scale, chart)
    yield from names(scale, [_short(time) for time in chart["times"]], -(-len(chart["times"]) // TIMES))
    yield from values(scale, "error against the certificate, um")


def _checks(scale: Scale, chart: Chart) -> Iterator[str]:
    for k, (um, time) in enumerate(zip(chart["error_um"], chart["times"], strict=True)):
        x, y = scale.x(k), scale.y(um)
        words = f"<title>{xml(time)}: {um:+.2f} um</title>"
        if abs(um) > chart["error_limit_um"]:
            cross = f"M{x - 5:.1f} {y - 5:.1f}l10 10M{x - 5:.1f} {y + 5:.1f}l10 -10"
            yield f'<path class="beyond" d="{cross}">{words}</path>'
        else:
            yield f'<circle class="check" cx="{x:.1f}" cy="{y:.1f}" r="3.2">{words}</circle>'


def _short(time: str) -> str:
    """Day and time of day: "11-25 06:00"."""
    return time[5:16].replace("T", " ")


def plot(chart: Chart, width: int = 64, height: int = 11) -> list[str]:
    """The newest checks in plain characters: `o` a check, `x` beyond the error limit `-`, `~` the moving average."""
    first = max(0, len(chart["error_um"]) - width)
    scale = _scale(chart)
    grid = [[" "] * width for _ in range(height)]

    def row(um: float) -> int:
        return round((height - 1) * scale.share(um))

    limit = chart["error_limit_um"]
    for um in (limit, -limit):
        grid[row(um)] = ["-"] * width
    for k, um in enumerate(chart["ewma_um"][first:]):
        grid[row(um)][k] = "~"
    for k, um in enumerate(chart["error_um"][first:]):
        grid[row(um)][k] = "x" if abs(um) > limit else "o"
    labels = {row(um): f"{um:+8.1f}" for um in (limit, 0.0, -limit)}
    return [f"{labels.get(k, ''):>9} |{''.join(line).rstrip()}" for k, line in enumerate(grid)]
