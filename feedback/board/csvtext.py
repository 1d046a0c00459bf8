"""Rows as CSV that a spreadsheet opens without running anything. Pure."""

import csv
import io
import re
from collections.abc import Iterable, Sequence

_NUMBER = re.compile(r"[+-]?\d+(\.\d+)?")
_STARTS_A_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")


def csv_text(head: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """The rows under their head, CRLF between lines (RFC 4180), formulas defused by an apostrophe."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(head)
    writer.writerows([safe(cell) for cell in row] for row in rows)
    return out.getvalue()


def safe(cell: object) -> str:
    """The cell as text; an apostrophe before what a spreadsheet would run, numbers apart."""
    text = "" if cell is None else str(cell)
    is_formula = text.lstrip(" ").startswith(_STARTS_A_FORMULA) and _NUMBER.fullmatch(text) is None
    return f"'{text}" if is_formula else text
