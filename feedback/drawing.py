"""What all pictures over parts or checks are drawn with: one sheet, one scale, and the marks they share. Pure.

Shape and label carry every meaning; colour only repeats it.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape
from typing import Final

WIDTH: Final = 860
LEFT: Final = 74
RIGHT: Final = 160
TOP: Final = 54
LEGEND_LINE: Final = 17

_STYLE: Final = """
svg{background:#fff;color:#1a1f24;font:13px system-ui,sans-serif}
text{fill:currentColor}.small{font-size:11.5px}.title{font-size:15px;font-weight:600}
.limit{stroke:#a3261d;stroke-width:1.5;stroke-dasharray:9 4}"""
_DARK: Final = "@media (prefers-color-scheme:dark){svg{background:#14181c;color:#e8ebee}.limit{stroke:#ff8a7f}\n"


def xml(words: str, most: int | None = None) -> str:
    """`words` as XML text, at most so many characters: no markup, and no control characters, which XML has not."""
    printable = "".join(sign for sign in words if sign.isprintable())
    return escape(printable if most is None or len(printable) <= most else f"{printable[: most - 1]}…")


def style(own: str, dark: str) -> str:
    """The sheet's rules, and a picture's `own` with those that are other in the `dark`."""
    return f"{_STYLE}{own}{_DARK}{dark}}}\n"


def sheet(title: str, told: str, rules: str, height: int, body: str, legend: Sequence[str], legend_y: int) -> str:
    """A whole SVG document: `title` written over `body`, `told` read out for it, the legend below."""
    lines = "".join(
        f'<text class="small" x="{LEFT}" y="{legend_y + LEGEND_LINE * k}" xml:space="preserve">{words}</text>'
        for k, words in enumerate(legend)
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" viewBox="0 0 {WIDTH} {height}"'
        f' width="{WIDTH}" height="{height}"><title>{xml(told)}</title><style>{rules}</style>'
        f'<text class="title" x="{LEFT}" y="26">{xml(title, 80)}</text>{body}{lines}</svg>\n'
    )


@dataclass(frozen=True, slots=True)
class Scale:
    """From numbers of parts and from values to places inside one frame; what lies outside is drawn on its edge."""

    top: float
    height: float
    count: int
    low: float
    high: float

    def x(self, index: float) -> float:
        return LEFT + (index + 0.5) * (WIDTH - LEFT - RIGHT) / max(1, self.count)

    def y(self, value: float) -> float:
        return self.top + self.height * self.share(value)

    def share(self, value: float) -> float:
        """How far down the frame, from 0 to 1."""
        return (self.high - min(max(value, self.low), self.high)) / (self.high - self.low)


def frame(scale: Scale) -> str:
    return f'<rect class="frame" x="{LEFT}" y="{scale.top}" width="{WIDTH - LEFT - RIGHT}" height="{scale.height:g}"/>'


def stripe(scale: Scale, low: float, high: float) -> str:
    """The band between two values."""
    y = scale.y(high)
    return f'<rect class="band" x="{LEFT}" y="{y:.1f}" width="{WIDTH - LEFT - RIGHT}" height="{scale.y(low) - y:.1f}"/>'


def rule(scale: Scale, value: float, kind: str, words: str) -> str:
    """A line across the frame, its words on the right."""
    y = scale.y(value)
    return (
        f'<line class="{kind}" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>'
        f'<text class="small" x="{WIDTH - RIGHT + 6}" y="{y + 4:.1f}">{xml(words)}</text>'
    )


def line(scale: Scale, values: Sequence[float], kind: str) -> str:
    """The values that are numbers, joined."""
    known = [(scale.x(k), scale.y(value)) for k, value in enumerate(values) if math.isfinite(value)]
    return f'<polyline class="{kind}" points="{points(known)}"/>'


def points(places: Sequence[tuple[float, float]]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in places)


def names(scale: Scale, words: Sequence[str], every: int, below: int = 16) -> Iterator[str]:
    """Names of parts or times under the frame, one in `every`."""
    for k in range(0, len(words), max(1, every)):
        yield (
            f'<text class="small" text-anchor="middle" x="{scale.x(k):.1f}" y="{scale.top + scale.height + below:g}">'
            f"{xml(words[k])}</text>"
        )


def values(scale: Scale, words: str) -> Iterator[str]:
    """Round values beside the frame, and what they are."""
    for value in ticks(scale.low, scale.high):
        place = f'x="{LEFT - 8}" y="{scale.y(value) + 4:.1f}"'
        yield f'<text class="small" text-anchor="end" {place}>{_plain(value)}</text>'
    yield (
        f'<text class="small" text-anchor="middle" transform="translate(12 {scale.top + scale.height / 2})'
        f' rotate(-90)">{xml(words)}</text>'
    )


def _plain(value: float) -> str:
    """A round value without an exponent, as an inch machine's are small: "+0.0002"."""
    words = f"{value:+.9f}".rstrip("0").rstrip(".")
    return words if float(words) else "+0"


def ticks(low: float, high: float) -> list[float]:
    """About five round values between low and high."""
    rough = (high - low) / 5
    base = 10.0 ** math.floor(math.log10(rough))
    step = next(factor * base for factor in (1, 2, 5, 10) if factor * base >= rough)
    first = math.ceil(low / step)
    return [step * i + 0.0 for i in range(first, math.floor(high / step) + 1)]
