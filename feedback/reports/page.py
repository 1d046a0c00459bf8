"""Turns what is known into one HTML document that needs nothing else and prints well.

Every value is escaped, and signs that could hide or turn text are shown as their numbers: names come from logs.
"""

import base64
from pathlib import Path
from typing import Any, Final

import jinja2

from feedback.signs import shown

MM_PER_INCH: Final = 25.4
TEMPLATES: Final = Path(__file__).parent / "templates"


def page(template: str, **values: Any) -> str:
    """The document `template` with `values`; a name the template does not know is an error, not a gap."""
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        finalize=shown,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {"um": _um, "time": _time, "picture": _picture, "length": _length, "share": _share}
    return environment.get_template(template).render(**values)


def _um(value: float | None, digits: int = 2) -> str:
    """Micrometres with a sign that is never lost; a dash where there is no figure."""
    return "-" if value is None else f"{value:.{digits}f}"


def _length(mm: float | None, unit: str) -> str:
    """A length as the machine's log prints it, to a hundredth of a micrometre or a microinch; without its unit."""
    if mm is None:
        return "-"
    return f"{mm / MM_PER_INCH:.6f}" if unit == "inch" else f"{mm:.5f}"


def _share(value: float | None) -> str:
    return "-" if value is None else f"{value:.0%}"


def _time(text: str | None) -> str:
    """Day and time of day without the offset from UTC, which the head of the document states."""
    return "-" if text is None else text[:16].replace("T", " ")


def _picture(svg: str) -> str:
    """An SVG document as an address: inside the page its styles would be everybody's."""
    return f"data:image/svg+xml;base64,{base64.b64encode(svg.encode()).decode()}"
