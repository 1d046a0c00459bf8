"""The points around a ring as a picture: how far each lies from the least-squares circle, much enlarged."""

from collections.abc import Iterator, Mapping
from math import cos, pi, sin
from typing import Any, Final

from feedback.drawing import xml

SIZE: Final = 360
RADIUS: Final = 110.0  # of the least-squares circle on the picture
REACH: Final = 40.0  # from the circle to the point furthest from it
_STYLE: Final = (
    "svg{background:#fff;color:#14171a;font:12px system-ui,sans-serif}text{fill:currentColor}"
    ".circle{fill:none;stroke:currentColor;stroke-opacity:.6}.edge{fill:none;stroke:currentColor;stroke-dasharray:2 3}"
    ".point{fill:currentColor}.path{fill:none;stroke:#0b5cad;stroke-width:1.5}"
)


def around(ring: Mapping[str, Any]) -> str:
    """One `rings` entry of a study as a whole SVG document; its points stand in the order they were touched.

    Drawn at the angles they were touched at, counterclockwise from +X.
    """
    radial, angles = ring["radial_um"], ring["angles_deg"]
    largest = max(abs(one) for one in radial) or 1.0
    drawn = "".join(_drawn(radial, [one * pi / 180 for one in angles], largest))
    words = f"{ring['artefact']}: {ring['words']}"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" viewBox="0 0 760 {SIZE}" width="760" height="{SIZE}">'
        f"<title>{xml(words)}</title><style>{_STYLE}</style>{drawn}"
        f'<text x="380" y="40">line: least-squares circle; dots: one point each</text>'
        f'<text x="380" y="60">dotted: {largest:.1f} um inside and outside of it</text>'
        f'<text x="380" y="80">2D error {ring["range_um"]:.1f} um, from the innermost to the outermost point</text>'
        "</svg>\n"
    )


def _drawn(radial: list[float], angles: list[float], largest: float) -> Iterator[str]:
    middle = SIZE / 2
    for kind, radius in (("circle", RADIUS), ("edge", RADIUS - REACH), ("edge", RADIUS + REACH)):
        yield f'<circle class="{kind}" cx="{middle}" cy="{middle}" r="{radius}"/>'
    for words, x, y in (("+X", middle + 158, middle + 4), ("+Y", middle - 8, 18)):
        yield f'<text x="{x}" y="{y}">{words}</text>'
    places = []
    for um, angle in sorted(zip(radial, angles, strict=True), key=lambda one: one[1]):
        radius = RADIUS + REACH * um / largest
        places.append(f"{middle + radius * cos(angle):.1f},{middle - radius * sin(angle):.1f}")
    yield f'<polygon class="path" points="{" ".join(places)}"/>'
    for place in places:
        left, down = place.split(",")
        yield f'<circle class="point" cx="{left}" cy="{down}" r="2.8"/>'
