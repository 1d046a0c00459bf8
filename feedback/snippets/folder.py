"""Keeps the snippet folder true: a file for every open or accepted proposal that is believed, and none for any other.

A snippet of an expired or withdrawn proposal left lying about could be loaded by mistake. Its text is never lost: it is
made again from the history at any time.
"""

from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING

from feedback.configuration.facts import Configuration
from feedback.ledger import queries
from feedback.ledger.queries import Proposal
from feedback.registers import register
from feedback.snippets.correction import Correction, SnippetError
from feedback.snippets.dialects import Dialect, load_dialects
from feedback.snippets.render import render

if TYPE_CHECKING:
    from feedback.ledger.store import Store

BY_HAND = "sheet"  # what every correction can be written as


class SnippetFolder:
    """`snippets/` of one cell."""

    def __init__(self, configuration: Configuration) -> None:
        self._configuration = configuration
        self._dialects = load_dialects(configuration.folder / "dialects")

    def text(self, proposal: Proposal) -> tuple[str, Dialect]:
        """The snippet of a proposal in its machine's dialect; where that cannot say it, as a sheet for entry by hand.

        SnippetError when neither can: the words of both refusals.
        """
        machine = self._configuration.machines[proposal.machine]
        correction = correction_of(self._configuration.name, proposal)
        dialect = self._dialects[machine.dialect]
        try:
            return render(correction, dialect, machine), dialect
        except SnippetError as refusal:
            sheet = self._dialects[BY_HAND]
            try:
                return render(correction, sheet, machine), sheet
            except SnippetError as second:
                raise SnippetError(f"{refusal}\n{second}") from None

    def tidy(self, store: "Store") -> list[str]:
        """Write what is missing, remove what is no longer live; what could not be written comes out, in words."""
        with store.reading() as sql:
            live = [proposal for proposal in queries.proposals(sql) if proposal.doubted is None]
        refusals: list[str] = []
        for machine in self._configuration.machines:
            mine = [proposal for proposal in live if proposal.machine == machine]
            refusals += self._tidy_machine(machine, mine)
        return refusals

    def _tidy_machine(self, machine: str, live: list[Proposal]) -> Iterator[str]:
        folder = self._configuration.folder / "snippets" / machine
        ids = {proposal.id for proposal in live}
        present = {path.stem for path in _snippets(folder)}
        for path in _snippets(folder):
            if path.stem not in ids:
                path.unlink(missing_ok=True)
        for proposal in live:
            if proposal.id not in present:
                try:
                    self._write(folder, proposal)
                except SnippetError as refusal:
                    yield str(refusal)

    def _write(self, folder: Path, proposal: Proposal) -> None:
        """Whole or not at all: a snippet cut off half-way must never lie in the folder."""
        text, dialect = self.text(proposal)
        folder.mkdir(parents=True, exist_ok=True)
        unfinished = folder / f".{proposal.id}.part"
        unfinished.write_text(text, encoding="ascii", newline="\n")
        unfinished.replace(folder / f"{proposal.id}{dialect.suffix}")


def correction_of(cell: str, proposal: Proposal) -> Correction:
    """What a proposal asks for, as the snippet renderer takes it."""
    content = proposal.content
    return Correction(
        id=proposal.id,
        cell=cell,
        machine=proposal.machine,
        register=register(proposal.register),
        now=Decimal(content["now"]),
        change=Decimal(content["change"]),
        new=Decimal(content["new"]),
        cause=content["cause"],
        was_cut=content["was_cut"],
        features=tuple(feature["id"] for feature in content["features"]),
        parts=tuple(content["parts"]),
        expires=content["expires_at"] or content["expires"],
        cautions=tuple(content.get("cautions", ())),
    )


def _snippets(folder: Path) -> list[Path]:
    """The tool's own files: named by a proposal. Whatever else lies there is left alone."""
    return sorted(path for path in folder.glob("p-*.*") if path.is_file())
