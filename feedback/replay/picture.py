"""A replay as a picture: what the features really read and what they would have read, with the corrections. Pure.

Shape and label carry every meaning; colour only repeats it.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from feedback.picture import LEFT, RIGHT, TOP, WIDTH, xml
from feedback.replay.one import Replayed
from feedback.replay.past import Floats

HEIGHT, ROOM, FOOT = 190, 84, 44
MOST_PANELS = 8
REACH = 3.0  # half tolerances from the centre: one wild reading must not flatten everything else

_STYLE: Final = """
svg{background:#fff;color:#1a1f24;font:13px system-ui,sans-serif}
text{fill:currentColor}.small{font-size:11.5px}.title{font-size:15px;font-weight:600}
.limit{stroke:#a3261d;stroke-width:1.5;stroke-dasharray:9 4}.band{fill:#8a97a3;fill-opacity:.16}
.target{stroke:currentColor;stroke-width:1;stroke-dasharray:2 4}.frame{fill:none;stroke:currentColor;stroke-opacity:.35}
.real{fill:none;stroke:currentColor;stroke-opacity:.55;stroke-width:1.2}
.replayed{fill:none;stroke:#0b5cad;stroke-width:1.8}
.really{fill:none;stroke:currentColor;stroke-width:1.3}.again{fill:#0b5cad}
.tool{stroke:currentColor;stroke-dasharray:1 3}
@media (prefers-color-scheme:dark){svg{background:#14181c;color:#e8ebee}.limit{stroke:#ff8a7f}
.replayed{stroke:#7db8f5}.again{fill:#7db8f5}}
"""
_LEGEND: Final = (
    "thin line, open circles below: readings and corrections as they really were",
    "thick line, full triangles below: with the real corrections taken out and the replayed ones put in",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Panel:
    title: str
    unit: str
    real_um: Floats
    replayed_um: Floats
    lower_um: float
    upper_um: float
    band_um: float
    parts: Sequence[str]
    real: Sequence[int]  # rows that are the first with a correction
    replayed: Sequence[int]
    new_tools: Sequence[int]


def svg(title: str, some: Sequence[Replayed]) -> str:
    """The features on which the replay differs most, up to eight of them, as one SVG document."""
    panels = sorted((panel for one in some for panel in _panels(one)), key=_differs, reverse=True)[:MOST_PANELS]
    height = TOP + len(panels) * (HEIGHT + ROOM) + FOOT
    body = "".join(_drawn(panel, TOP + k * (HEIGHT + ROOM)) for k, panel in enumerate(panels))
    legend = "".join(
        f'<text class="small" x="{LEFT}" y="{height - 24 + 16 * k}">{words}</text>' for k, words in enumerate(_LEGEND)
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}"'
        f' height="{height}"><title>{xml(title)}</title><style>{_STYLE}</style>'
        f'<text class="title" x="{LEFT}" y="26">{xml(title[:90])}</text>{body}{legend}</svg>\n'
    )


def _differs(panel: _Panel) -> float:
    """Mean square of the shift, in half tolerances."""
    half = (panel.upper_um - panel.lower_um) / 2
    shift = (panel.replayed_um - panel.real_um) / half
    return float(np.nanmean(np.square(shift))) if np.isfinite(shift).any() else -1.0


def _panels(one: Replayed) -> Iterator[_Panel]:
    past, rows = one.past, slice(one.past.first, None)
    replayed = one.read_um
    for f, feature in enumerate(past.group.features):
        movers = np.flatnonzero(past.sensitivity[f]).tolist()
        entered = [entry.acts for entry in one.corrections if entry.column in movers and entry.acts is not None]
        yield _Panel(
            title=f"{past.machine.name} feature {feature.id}, {feature.name or feature.kind}",
            unit="um" if feature.unit == "mm" else "mdeg",
            real_um=past.read_um[rows, f],
            replayed_um=replayed[rows, f],
            lower_um=float(past.lower_um[f]),
            upper_um=float(past.upper_um[f]),
            band_um=min(one.limits[r].band for r in movers) * float(past.upper_um[f] - past.lower_um[f]) / 2,
            parts=past.part[rows],
            real=np.flatnonzero((past.entry_um[rows][:, movers] != 0).any(axis=1)).tolist(),
            replayed=[row - past.first for row in entered],
            new_tools=np.flatnonzero(past.fresh[rows][:, movers].any(axis=1)).tolist(),
        )


@dataclass(frozen=True, slots=True)
class _Scale:
    panel: _Panel
    top: float

    def x(self, row: float) -> float:
        return LEFT + (row + 0.5) * (WIDTH - LEFT - RIGHT) / max(1, len(self.panel.parts))

    def y(self, um: float) -> float:
        centre, half = (self.panel.lower_um + self.panel.upper_um) / 2, (self.panel.upper_um - self.panel.lower_um) / 2
        values = np.concatenate([self.panel.real_um, self.panel.replayed_um])
        farthest = float(np.nanmax(np.abs(values - centre), initial=half))
        reach = 1.08 * min(REACH * half, max(half, farthest))
        share = min(1.0, max(-1.0, (um - centre) / reach))
        return self.top + HEIGHT * (1 - share) / 2


def _drawn(panel: _Panel, top: float) -> str:
    scale, right = _Scale(panel, top), WIDTH - RIGHT
    target = (panel.lower_um + panel.upper_um) / 2
    upper, lower = scale.y(target + panel.band_um), scale.y(target - panel.band_um)
    return "".join(
        [
            f'<text x="{LEFT}" y="{top - 8}">{xml(panel.title)}</text>',
            f'<rect class="frame" x="{LEFT}" y="{top}" width="{right - LEFT}" height="{HEIGHT}"/>',
            f'<rect class="band" x="{LEFT}" y="{upper:.1f}" width="{right - LEFT}" height="{lower - upper:.1f}"/>',
            *_rules(scale, target),
            *(_upright(scale, row) for row in panel.new_tools),
            _line(scale, panel.real_um, "real"),
            _line(scale, panel.replayed_um, "replayed"),
            *_marks(scale),
            *_axis(scale),
        ]
    )


def _rules(scale: _Scale, target: float) -> Iterator[str]:
    panel = scale.panel
    for um, kind, words in (
        (panel.upper_um, "limit", "upper limit"),
        (target, "target", "centre"),
        (panel.lower_um, "limit", "lower limit"),
    ):
        y = scale.y(um)
        yield (
            f'<line class="{kind}" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>'
            f'<text class="small" x="{WIDTH - RIGHT + 6}" y="{y + 4:.1f}">{words} {um:+.1f} {panel.unit}</text>'
        )


def _upright(scale: _Scale, row: int) -> str:
    x = scale.x(row - 0.5)
    return (
        f'<line class="tool" x1="{x:.1f}" x2="{x:.1f}" y1="{scale.top}" y2="{scale.top + HEIGHT}">'
        f"<title>new tool before part {xml(scale.panel.parts[row])}</title></line>"
    )


def _line(scale: _Scale, values: Floats, kind: str) -> str:
    points = " ".join(f"{scale.x(row):.1f},{scale.y(um):.1f}" for row, um in enumerate(values) if math.isfinite(um))
    return f'<polyline class="{kind}" points="{points}"/>'


def _marks(scale: _Scale) -> Iterator[str]:
    y, parts = scale.top + HEIGHT + 12, scale.panel.parts
    for row in scale.panel.real:
        words = f"<title>really corrected before part {xml(parts[row])}</title>"
        yield f'<circle class="really" cx="{scale.x(row):.1f}" cy="{y}" r="4">{words}</circle>'
    for row in scale.panel.replayed:
        x = scale.x(row)
        words = f"<title>replay corrected before part {xml(parts[row])}</title>"
        corners = f"{x:.1f},{y + 8} {x - 5:.1f},{y + 18} {x + 5:.1f},{y + 18}"
        yield f'<polygon class="again" points="{corners}">{words}</polygon>'
    x = WIDTH - RIGHT + 6
    yield f'<text class="small" x="{x}" y="{y + 4}">{len(scale.panel.real)} really made</text>'
    yield f'<text class="small" x="{x}" y="{y + 17}">{len(scale.panel.replayed)} replayed</text>'


def _axis(scale: _Scale) -> Iterator[str]:
    parts = scale.panel.parts
    for row in range(0, len(parts), max(1, math.ceil(len(parts) / 10))):
        yield (
            f'<text class="small" text-anchor="middle" x="{scale.x(row):.1f}" y="{scale.top + HEIGHT + 46}">'
            f"{xml(parts[row][-9:])}</text>"
        )
