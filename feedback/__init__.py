"""trueup: from a line in a probe log to a correction that a person has reviewed.

import feedback

with feedback.open_cell("cells/3") as cell:
    answer = cell.process()
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from feedback.cell import Cell, open_cell

__all__ = ["Cell", "open_cell"]


def __getattr__(name: str) -> Any:
    # Lazily, so that `trueup status` does not import what only reading logs needs.
    if name in __all__:
        from feedback import cell

        return getattr(cell, name)
    raise AttributeError(f"module 'feedback' has no attribute {name!r}")
