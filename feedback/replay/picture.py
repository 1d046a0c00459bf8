"""A replay as a picture: what the features really read and what they would have read, with the corrections. Pure.

Shape and label carry every meaning; colour only repeats it.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from feedback.drawing import LEFT, RIGHT, TOP, WIDTH, Scale, frame, line, names, rule, sheet, stripe, style, xml
from feedback.replay.one import Replayed
from feedback.replay.past import Floats

HEIGHT, ROOM, FOOT = 190, 84, 44
MOST_PANELS = 8
REACH = 3.0  # half tolerances from the centre: one wild reading must not flatten everything else

_STYLE: Final = style(
    """.band{fill:#8a97a3;fill-opacity:.16}
.target{stroke:currentColor;stroke-width:1;stroke-dasharray:2 4}.frame{fill:none;stroke:currentColor;stroke-opacity:.35}
.real{fill:none;stroke:currentColor;stroke-opacity:.55;stroke-width:1.2}
.replayed{fill:none;stroke:#0b5cad;stroke-width:1.8}
.really{fill:none;stroke:currentColor;stroke-width:1.3}.again{fill:#0b5cad}
.tool{stroke:currentColor;stroke-dasharray:1 3}
""",
    ".replayed{stroke:#7db8f5}.again{fill:#7db8f5}",
)
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
    return sheet(title, title, _STYLE, height, body, _LEGEND, height - 24)


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


def _scale(panel: _Panel, top: float) -> Scale:
    centre, half = (panel.lower_um + panel.upper_um) / 2, (panel.upper_um - panel.lower_um) / 2
    values = np.concatenate([panel.real_um, panel.replayed_um])
    farthest = float(np.nanmax(np.abs(values - centre), initial=half))
    reach = 1.08 * min(REACH * half, max(half, farthest))
    return Scale(top, HEIGHT, len(panel.parts), centre - reach, centre + reach)


def _drawn(panel: _Panel, top: float) -> str:
    scale, target = _scale(panel, top), (panel.lower_um + panel.upper_um) / 2
    return "".join(
        [
            f'<text x="{LEFT}" y="{top - 8}">{xml(panel.title)}</text>',
            frame(scale),
            stripe(scale, target - panel.band_um, target + panel.band_um),
            rule(scale, panel.upper_um, "limit", f"upper limit {panel.upper_um:+.1f} {panel.unit}"),
            rule(scale, target, "target", f"centre {target:+.1f} {panel.unit}"),
            rule(scale, panel.lower_um, "limit", f"lower limit {panel.lower_um:+.1f} {panel.unit}"),
            *(_upright(scale, row, panel.parts[row]) for row in panel.new_tools),
            line(scale, panel.real_um.tolist(), "real"),
            line(scale, panel.replayed_um.tolist(), "replayed"),
            *_marks(scale, panel),
            *names(scale, [part[-9:] for part in panel.parts], math.ceil(len(panel.parts) / 10), below=46),
        ]
    )


def _upright(scale: Scale, row: int, part: str) -> str:
    x = scale.x(row - 0.5)
    return (
        f'<line class="tool" x1="{x:.1f}" x2="{x:.1f}" y1="{scale.top}" y2="{scale.top + HEIGHT}">'
        f"<title>new tool before part {xml(part)}</title></line>"
    )


def _marks(scale: Scale, panel: _Panel) -> Iterator[str]:
    y, parts = scale.top + HEIGHT + 12, panel.parts
    for row in panel.real:
        words = f"<title>really corrected before part {xml(parts[row])}</title>"
        yield f'<circle class="really" cx="{scale.x(row):.1f}" cy="{y}" r="4">{words}</circle>'
    for row in panel.replayed:
        x = scale.x(row)
        words = f"<title>replay corrected before part {xml(parts[row])}</title>"
        corners = f"{x:.1f},{y + 8} {x - 5:.1f},{y + 18} {x + 5:.1f},{y + 18}"
        yield f'<polygon class="again" points="{corners}">{words}</polygon>'
    x = WIDTH - RIGHT + 6
    yield f'<text class="small" x="{x}" y="{y + 4}">{len(panel.real)} really made</text>'
    yield f'<text class="small" x="{x}" y="{y + 17}">{len(panel.replayed)} replayed</text>'
