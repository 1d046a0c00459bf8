"""A proposal for people: the change, why, what it does to every feature, what it rests on."""

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from feedback.answers import page_words
from feedback.inches import features_in_own_unit, in_own_unit, places

if TYPE_CHECKING:
    from feedback.cell import Cell
    from feedback.ledger.queries import Proposal


def lines(cell: "Cell", proposal: "Proposal") -> Iterator[str]:
    """The proposal for people."""
    content = proposal.content
    yield f"{proposal.id}  {proposal.status}  {proposal.machine}  {proposal.register}"
    cut = "   cut short by a limit" if content["was_cut"] else ""
    yield f"    on the offset page: {page_words(content['page'])}{cut}"
    expires = content["expires_at"] or content["expires"]
    yield f"    cause: {content['cause']}   proposed after part {content['part']}   expires: {expires}"
    if content["parts_left"] is not None:
        yield f"    at the present wear about {content['parts_left']} parts are left until the travel is used up"
    yield "    predicted for the next part this can reach (deviation from nominal):"
    unit, features = features_in_own_unit(content)
    for feature in features:
        before, after, lower, upper = (
            f"{feature[name]:+.{places(unit)}f}" for name in ("before", "after", "lower", "upper")
        )
        yield f"        feature {feature['id']}: {before} -> {after} {unit}   limits {lower} .. {upper} {unit}"
    yield "    what every rule said:"
    for reason in content["reasons"]:
        words = in_own_unit(reason["words"], content["page"]["unit"])
        yield f"        {reason['rule']:<15} {reason['verdict']:<6} {words}"
    yield f"    rests on parts {', '.join(content['parts'])}"
    yield from _wrapped("    log lines: ", content["evidence"])
    yield from (f"    caution: {words}" for words in content.get("cautions", ()))
    if proposal.doubted is not None:
        yield f"    IN DOUBT: {proposal.doubted}"
    yield f"    digest {proposal.digest}"
    if proposal.status in ("confirmed", "unconfirmed", "wrong-way"):
        yield f"    effect: {proposal.note}"
        if proposal.by:
            yield f"    accepted by {proposal.by}"
    elif proposal.by:
        yield f"    {proposal.status} by {proposal.by} {proposal.note or ''}".rstrip()
    elif proposal.note:
        yield f"    {proposal.note}"
    path = cell.snippet_path(proposal.id)
    if path is not None:
        yield f"    snippet {path}"


def _wrapped(head: str, pieces: Any, width: int = 110) -> Iterator[str]:
    line = head
    for piece in pieces:
        if len(line) + len(piece) + 1 > width:
            yield line.rstrip()
            line = " " * len(head)
        line += f"{piece} "
    yield line.rstrip()
