"""Tools of which a part shows nothing: the probe triggered on no feature that the tool cuts. Pure.

One feature missed may be a chip or a program that left it out. Where everything that a tool cuts is missing, the tool
is broken or was never there (common practice), and the next part would be scrap as well.
"""

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Final, NamedTuple, TypeVar

from feedback.configuration.facts import Plan
from feedback.configuration.suggest import listed
from feedback.locks import NOTHING_OF

if TYPE_CHECKING:
    from feedback.series import ToolRow

Found = TypeVar("Found")
_ENDS: Final = "A recorded new tool or a release ends this, a good reading does not"


class MissRow(NamedTuple):
    """The probe did not trigger: part, plan and feature as the log names them."""

    part_id: int
    at_us: int
    part: str
    plan: str | None
    feature: str
    source: str


class MissWatch:
    """What the latest parts show of every tool of one machine: nothing at all, in words, or something."""

    def __init__(self, plans: Iterable[Plan]) -> None:
        self._cut_by = {plan.part.lower(): _by_tool(plan) for plan in plans}
        self._newest_tool: dict[int, ToolRow] = {}
        self._gone: dict[int, str] = {}

    def new_tool(self, row: "ToolRow") -> None:
        """A new tool: what the one before it left uncut says nothing about it."""
        known = self._newest_tool.get(row.tool)
        if known is None or known.at_us <= row.at_us:
            self._newest_tool[row.tool] = row
            self._gone.pop(row.tool, None)

    def see(self, misses: Iterable[MissRow], read: Iterable[tuple[int, str]]) -> None:
        """What some parts missed, and which (part id, feature key) were read; a later part counts more."""
        missed = _by_part((row.part_id, row) for row in misses)
        if not missed and not self._gone:
            return
        found = _by_part((part_id, key.lower()) for part_id, key in read)
        for part_id in sorted(missed.keys() | found.keys()):
            self._see_part(missed.get(part_id, []), set(found.get(part_id, [])))

    def _see_part(self, missed: list[MissRow], read: set[str]) -> None:
        for plan, cut_by in self._cut_by.items():
            of_plan = {row.feature.lower(): row for row in missed if (row.plan or "").lower() == plan}
            for tool, features in cut_by.items():
                if any(f"{plan}/{feature}" in read for feature in features):
                    self._gone.pop(tool, None)
                elif features <= of_plan.keys():
                    self._miss(tool, [of_plan[feature] for feature in sorted(features)])

    def _miss(self, tool: int, rows: list[MissRow]) -> None:
        first = rows[0]
        if not self._is_replaced(tool, first):
            self._gone[tool] = (
                f"{NOTHING_OF} tool {tool} cuts in part {first.part}: it did not trigger on"
                f" {listed([row.feature for row in rows])} ({first.source}): the tool is broken, or it was not there."
                f" {_ENDS}"
            )

    def _is_replaced(self, tool: int, miss: MissRow) -> bool:
        """A new tool was recorded after that part; one recorded inside it has cut it."""
        row = self._newest_tool.get(tool)
        return row is not None and row.at_us >= miss.at_us and row.part_id != miss.part_id

    def gone(self) -> dict[int, str]:
        """The tools to stop for and why; each is told once."""
        gone, self._gone = self._gone, {}
        return gone


def _by_part(rows: Iterable[tuple[int, Found]]) -> dict[int, list[Found]]:
    by_part: dict[int, list[Found]] = {}
    for part_id, row in rows:
        by_part.setdefault(part_id, []).append(row)
    return by_part


def _by_tool(plan: Plan) -> Mapping[int, frozenset[str]]:
    cut: dict[int, set[str]] = {}
    for feature in plan.features.values():
        if feature.tool is not None:
            cut.setdefault(feature.tool, set()).add(feature.id.lower())
    return {tool: frozenset(features) for tool, features in cut.items()}
