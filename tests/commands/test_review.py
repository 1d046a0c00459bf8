"""accept, reject, release, snippet, show: what a person is told when it works and when it may not be done."""

from pathlib import Path

import feedback
from tests.commands.saying import says, trueup
from tests.stories.parts import cell_texts
from tests.stories.story import machine


def test_accepting_names_the_snippet_and_changes_nothing_on_the_machine(read_cell: Path, open_id: str) -> None:
    """Who accepts is told that nothing was sent, where the snippet lies, and to check the offset page."""
    said = trueup("accept", open_id, "--by", "op1", cell=read_cell)

    assert said.code == 0
    assert "Nothing has been changed on the machine" in said.out
    assert str(read_cell / "snippets" / "M1" / f"{open_id}.nc") in said.out
    assert trueup("show", open_id, "--json", cell=read_cell).document["status"] == "accepted"


def test_an_answer_needs_a_name(read_cell: Path, open_id: str) -> None:
    """Nobody accepts anonymously."""
    says(trueup("accept", open_id, cell=read_cell), 2, "--by")


def test_a_stranger_cannot_answer(read_cell: Path, open_id: str) -> None:
    """A name that cell.toml does not know is refused with the names it knows and what to add."""
    said = trueup("accept", open_id, "--by", "nobody", cell=read_cell)
    says(said, 2, "nobody", "op1, pe, quality", "[person.nobody]")


def test_a_person_without_the_right_cannot_accept(read_cell: Path, open_id: str) -> None:
    """Quality may release registers but not review corrections, and is told who may."""
    said = trueup("accept", open_id, "--by", "quality", cell=read_cell)
    says(said, 2, "quality", "may not review", 'may = ["release"]', "op1, pe")


def test_a_person_without_the_right_cannot_release(read_cell: Path) -> None:
    """An operator reviews corrections but does not release registers."""
    said = trueup("release", "M1 tool 5 radius", "--by", "op1", "--why", "x", cell=read_cell)
    says(said, 2, "op1", "may not release", "pe, quality")


def test_an_unknown_proposal_is_answered_with_the_live_ones(read_cell: Path, open_id: str) -> None:
    """A mistyped proposal name never touches another proposal."""
    for words in (("show",), ("snippet",), ("accept", "--by", "op1"), ("reject", "--by", "op1", "--why", "x")):
        command, *rest = words
        says(trueup(command, "p-zzzzzz", *rest, cell=read_cell), 2, "p-zzzzzz", open_id)


def test_another_proposal_than_the_one_seen_is_refused(read_cell: Path, open_id: str) -> None:
    """The digest ties the answer to what was on the screen."""
    said = trueup("accept", open_id, "--by", "op1", "--digest", "sha256:11", cell=read_cell)
    digest = trueup("show", open_id, "--json", cell=read_cell).document["digest"]

    says(said, 2, "sha256:11", digest, "look at it again")
    assert trueup("accept", open_id, "--by", "op1", "--digest", digest, cell=read_cell).code == 0


def test_accepting_twice_is_refused(read_cell: Path, open_id: str) -> None:
    """The second person learns who was first, and the history keeps one acceptance."""
    trueup("accept", open_id, "--by", "op1", cell=read_cell)

    says(trueup("accept", open_id, "--by", "pe", cell=read_cell), 2, "accepted by op1", "nothing was changed")
    events = trueup("history", "--kind", "accepted", "--json", cell=read_cell).document["events"]
    assert [event["by"] for event in events] == ["op1"]


def test_rejecting_needs_a_reason(read_cell: Path, open_id: str) -> None:
    """A no without a why helps nobody a year later; blanks are no reason."""
    says(trueup("reject", open_id, "--by", "op1", cell=read_cell), 2, "--why")
    says(trueup("reject", open_id, "--by", "op1", "--why", "  ", cell=read_cell), 2, "no reason", "--why")


def test_a_rejected_snippet_leaves_the_folder(read_cell: Path, open_id: str) -> None:
    """What was turned down cannot be loaded by mistake: the file goes, the machine's answer becomes hold."""
    said = trueup("reject", open_id, "--by", "op1", "--why", "finish is poor", cell=read_cell)

    assert said.code == 0
    assert not list((read_cell / "snippets").rglob("p-*"))
    status = trueup("status", "--json", cell=read_cell)
    assert status.document["machines"][0]["answer"] == "hold"
    assert status.code == 3


def test_the_snippet_of_a_withdrawn_proposal_comes_with_a_warning(read_cell: Path, open_id: str) -> None:
    """History can be looked at, but a snippet that no longer describes the machine says so and ends with 3."""
    with feedback.open_cell(read_cell) as cell:
        cell.feed("M1", "OFFSET TOOL 5 RADIUS -0.009 LENGTH 0.000\n")
        assert cell.proposal(open_id).status == "withdrawn"

    said = trueup("snippet", open_id, cell=read_cell)
    assert said.code == 3
    assert f"proposal {open_id} is withdrawn: do not load this" in said.err
    assert "G10" in said.out


def test_the_snippet_of_an_open_proposal_comes_without_a_warning(read_cell: Path, open_id: str) -> None:
    """The text printed is the file that lies in the folder, byte for byte."""
    said = trueup("snippet", open_id, cell=read_cell)

    assert (said.code, said.err) == (0, "")
    assert said.out == (read_cell / "snippets" / "M1" / f"{open_id}.nc").read_text()


def test_releasing_what_is_no_register(read_cell: Path) -> None:
    """A word that names no register is answered with the forms that do."""
    said = trueup("release", "bogus", "--by", "pe", "--why", "x", cell=read_cell)
    says(said, 2, "bogus", "tool 5 radius")


def test_releasing_a_register_no_plan_looks_at(read_cell: Path) -> None:
    """A slip from tool 5 to tool 55 must not leave a release lying about for a tool that may come."""
    said = trueup("release", "M1 tool 55 radius", "--by", "pe", "--why", "x", cell=read_cell)

    says(said, 2, "tool 55 radius", "tool 5 radius", "nothing was changed")
    assert trueup("history", "--kind", "released", "--json", cell=read_cell).document["events"] == []


def test_releasing_says_what_was_released(read_cell: Path) -> None:
    """A register without a lock is released for one growing correction, and a second release has nothing to do."""
    words = ("release", "tool 5 radius", "--by", "quality", "--why", "new insert, bigger corner")
    said = trueup(*words, cell=read_cell)

    assert said.code == 0
    assert "one correction in the growing direction" in said.out
    says(trueup(*words, cell=read_cell), 2, "released already")


def test_in_a_cell_of_two_machines_a_register_needs_its_machine(tmp_path: Path) -> None:
    """Tool 5 of which machine? The answer shows how to write it."""
    for name, text in cell_texts([machine("M1"), machine("M2")]).items():
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(text, encoding="utf-8")

    said = trueup("release", "tool 5 radius", "--by", "pe", "--why", "x", cell=tmp_path)
    says(said, 2, "M1, M2", "'M1 tool 5 radius'")
    assert trueup("release", "M2 tool 5 radius", "--by", "pe", "--why", "x", cell=tmp_path).code == 0


def test_show_writes_the_picture_it_is_asked_for(read_cell: Path, open_id: str, tmp_path: Path) -> None:
    """The trend can be put beside the drawing; a place that cannot be written is named."""
    said = trueup("show", open_id, "--picture", tmp_path / "trend.svg", cell=read_cell)

    assert said.code == 0
    assert (tmp_path / "trend.svg").read_text().startswith("<svg")
    nowhere = tmp_path / "nowhere" / "trend.svg"
    missing = trueup("show", open_id, "--picture", nowhere, cell=read_cell)
    says(missing, 1, str(nowhere), "No such file or directory")
