"""`--json`: exactly one document on stdout, with the keys that other programs rely on."""

import shutil
from pathlib import Path
from typing import Any

import pytest

from tests.commands.saying import SAMPLES, trueup

REGISTER_KEYS = {
    "register",
    "answer",
    "cause",
    "part",
    "error_mm",
    "sd_mm",
    "slope_mm_per_part",
    "parts_left",
    "reasons",
}
PROPOSAL_KEYS = {
    "id", "status", "now_mm", "change_mm", "new_mm", "features", "evidence", "digest", "snippet", "expires",
}  # fmt: skip
FEATURE_KEYS = {"id", "before_mm", "after_mm", "lower_mm", "upper_mm"}
ANSWERS = {"leave", "wait", "correct", "hold", "stop"}


def answered(document: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """Register -> decision of the only machine."""
    (machine,) = document["machines"]
    return {decision["register"]: decision for decision in machine["decisions"]}


def test_the_answer_document_has_every_promised_key(unread_cell: Path) -> None:
    """A cell computer reads answer, error, reasons and proposal of every register by fixed names."""
    said = trueup("process", "--json", cell=unread_cell)

    document = said.document
    assert said.code == 3
    assert (document["schema"], document["cell"]) == ("trueup/1", "Cell 3")
    decisions = answered(document)
    for decision in decisions.values():
        assert decision.keys() >= REGISTER_KEYS
        assert decision["answer"] in ANSWERS
        assert all(reason.keys() == {"rule", "verdict", "words"} for reason in decision["reasons"])
    proposal = decisions["tool 5 radius"]["proposal"]
    assert proposal.keys() >= PROPOSAL_KEYS
    assert [feature.keys() for feature in proposal["features"]] == [FEATURE_KEYS, FEATURE_KEYS]


def test_the_numbers_of_a_proposal_agree_with_one_another(read_cell: Path, open_id: str) -> None:
    """New is now plus change; both bores, sensitivity -2, move by minus twice the change."""
    proposal = answered(trueup("status", "--json", cell=read_cell).document)["tool 5 radius"]["proposal"]

    assert proposal["new_mm"] == pytest.approx(proposal["now_mm"] + proposal["change_mm"], abs=1e-9)
    for feature in proposal["features"]:
        moved = feature["after_mm"] - feature["before_mm"]
        assert moved == pytest.approx(-2 * proposal["change_mm"], abs=1.1e-4)  # shown to 0.1 um
    assert (read_cell / proposal["snippet"]).is_file()
    source, line = proposal["evidence"][-1].rsplit(":", 1)
    assert (read_cell / "logs" / source).read_text().splitlines()[int(line) - 1].startswith("FEATURE 1")


def test_status_repeats_what_process_answered(unread_cell: Path) -> None:
    """Who asks later reads the same document."""
    processed = trueup("process", "--json", cell=unread_cell)
    status = trueup("status", "--json", cell=unread_cell)

    assert (status.document, status.code, status.err) == (processed.document, 3, "")


def test_nothing_to_do_ends_with_0(tmp_path: Path) -> None:
    """A cell with noise alone gives no reason to look."""
    cell = shutil.copytree(SAMPLES / "noise-only", tmp_path / "cell")
    said = trueup("process", cell=cell)

    assert said.code == 0
    assert "leave it alone" in said.out


@pytest.mark.parametrize(
    "words",
    [
        ("check",),
        ("show", "ID"),
        ("accept", "ID", "--by", "op1"),
        ("reject", "ID", "--by", "op1", "--why", "finish"),
        ("release", "M1 tool 5 radius", "--by", "pe", "--why", "new insert"),
        ("snippet", "ID"),
        ("history",),
        ("verify",),
        ("verify", "--deep"),
        ("process",),
        ("status",),
    ],
    ids=" ".join,
)
def test_every_answering_command_gives_one_document(words: tuple[str, ...], read_cell: Path, open_id: str) -> None:
    """Nothing but the document stands on stdout, nothing at all on stderr when nothing is wrong."""
    said = trueup(*(open_id if word == "ID" else word for word in words), "--json", cell=read_cell)

    assert said.document["schema"] == "trueup/1"
    assert said.err == ""
    assert said.code in (0, 3)


def test_words_go_to_stderr_when_a_document_is_asked_for(read_cell: Path) -> None:
    """A program that reads stdout never finds an error message there."""
    said = trueup("show", "p-zzzzzz", "--json", cell=read_cell)

    assert (said.code, said.out) == (2, "")
    assert said.err.startswith("trueup: ")


def test_the_history_keeps_numbers_in_order_and_prints_the_checkpoint(read_cell: Path, open_id: str) -> None:
    """Events are numbered as they happened; the checkpoint is the one `verify` prints."""
    trueup("accept", open_id, "--by", "op1", "--note", "edge looked at", cell=read_cell)
    document = trueup("history", "--all", "--json", cell=read_cell).document

    assert [event["seq"] for event in document["events"]] == list(range(1, len(document["events"]) + 1))
    accepted = document["events"][-1]
    assert (accepted["kind"], accepted["by"], accepted["note"]) == ("accepted", "op1", "edge looked at")
    assert trueup("verify", "--json", cell=read_cell).document["checkpoint"] == document["checkpoint"]
    assert len(trueup("history", "--last", "1", "--json", cell=read_cell).document["events"]) == 1
