"""What stands before every page: names, origins, tokens, policies. Asked without a browser, as an attacker would."""

import pytest

from tests.board.serving import Served
from tests.board.shops import PIN
from tests.stories.story import Story


def form(board: Served, id: str, **changed: str) -> tuple[dict[str, str], str]:
    """The fields of a good acceptance, and the cookie it belongs to."""
    page = board.ask(f"/proposal/{id}")
    fields = {"token": page.field("token"), "digest": page.field("digest"), "person": "op1", "pin": PIN,
              "words": "", "act": "accept"}  # fmt: skip
    return {**fields, **changed}, page.cookie


def test_a_good_form_is_taken(board: Served, story: Story, id: str) -> None:
    """The reference for the refusals below: exactly this form accepts."""
    fields, cookie = form(board, id)
    assert board.ask(f"/proposal/{id}/answer", fields, cookie=cookie).status == 303
    assert len(story.events("accepted")) == 1


def test_a_form_from_elsewhere_is_refused(board: Served, story: Story, id: str) -> None:
    """Another origin, none, another name, another session or no token: nothing is changed."""
    fields, cookie = form(board, id)
    ask = f"/proposal/{id}/answer"
    port = board.settings.port
    refusals = [
        board.ask(ask, fields, {"Origin": "http://evil.example"}, cookie),
        board.ask(ask, fields, {"Origin": ""}, cookie),
        board.ask(ask, fields, {"Origin": "null"}, cookie),
        board.ask(ask, fields, {"Origin": f"http://localhost:{port}"}, cookie),
        board.ask(ask, fields, {"Host": "evil.example", "Origin": "http://evil.example"}, cookie),
        board.ask(ask, {**fields, "token": ""}, cookie=cookie),
        board.ask(ask, fields, cookie=""),
        board.ask(ask, {**fields, "words": "x" * 20_000}, cookie=cookie),
    ]
    assert [answer.status for answer in refusals] == [403, 403, 403, 403, 421, 403, 403, 413]
    assert story.events("accepted") == []


@pytest.mark.parametrize(
    ("changed", "status", "words"),
    [
        ({"pin": "1111"}, 403, "not the PIN of &#39;op1&#39;"),
        ({"pin": ""}, 403, "not the PIN"),
        ({"person": "nobody"}, 409, "found no person"),
        ({"person": "quality"}, 409, "may not review"),
        ({"act": "reject"}, 409, "needs a reason"),
        ({"act": "adopt"}, 409, "found neither accept nor reject"),
        ({"digest": "sha256:0"}, 409, "not the one that was shown"),
        ({"digest": ""}, 409, "not the one that was shown"),
    ],
)
def test_a_wrong_answer_is_explained(
    board: Served, story: Story, id: str, changed: dict[str, str], status: int, words: str
) -> None:
    """The page says what was wrong, and nothing was changed."""
    fields, cookie = form(board, id, **changed)
    said = board.ask(f"/proposal/{id}/answer", fields, cookie=cookie)
    assert said.status == status
    assert words in said.text
    assert story.events("accepted") + story.events("rejected") == []


def test_a_stranger_name_sees_nothing(board: Served) -> None:
    """A page elsewhere that points its own name here (DNS rebinding) gets no answer of this cell."""
    said = board.ask("/", headers={"Host": f"evil.example:{board.settings.port}"})
    assert said.status == 421
    assert "Cell 3" not in said.text


def test_every_answer_carries_its_policy(board: Served, id: str) -> None:
    """Nothing inline, nothing from elsewhere, in no frame, not kept; a picture may only bring its styles."""
    for path in ("/", f"/proposal/{id}", "/history.csv", "/nothing-there", "/shop/now"):
        headers = board.ask(path).headers
        assert headers["content-security-policy"].startswith("default-src 'none'; script-src 'self'; style-src 'self'")
        assert "unsafe" not in headers["content-security-policy"]
        assert "frame-ancestors 'none'" in headers["content-security-policy"]
        assert (headers["x-content-type-options"], headers["cache-control"]) == ("nosniff", "no-store")
    picture = board.ask(f"/proposal/{id}/trend.svg").headers["content-security-policy"]
    assert "script-src" not in picture
    assert "default-src 'none'" in picture


def test_a_session_cookie_is_out_of_reach(board: Served) -> None:
    """No script can read it and no other site can send it."""
    cookie = board.ask("/").headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "samesite=strict" in cookie.lower()


def test_a_closed_board_shows_nothing_before_somebody_signs_in(story: Story) -> None:
    """Reading can be closed as well; one sign-in lasts, and signing out ends it."""
    with Served(story.folder, now=lambda: story.now("M1"), closed=True) as board:
        for path in ("/", "/shop/now", "/history.csv", "/events", "/limits"):
            assert board.ask(path).headers["location"] == "/sign-in"
        page = board.ask("/sign-in")
        fields = {"token": page.field("token"), "person": "op1", "pin": "4711"}
        assert board.ask("/sign-in", fields, cookie=page.cookie).status == 403
        assert board.ask("/sign-in", {**fields, "pin": PIN}, cookie=page.cookie).status == 303
        inside = board.ask("/", cookie=page.cookie)
        assert "Correct" in inside.text
        assert board.ask("/").status == 303
        board.ask("/sign-out", {"token": inside.field("token")}, cookie=page.cookie)
        assert board.ask("/", cookie=page.cookie).status == 303


def test_what_is_not_there_is_said_in_words(board: Served) -> None:
    """Unknown pages, proposals, machines and registers are answered with what was wanted, never with a traceback."""
    for path, words in {
        "/nothing": "there is no such page",
        "/proposal/p-xxxxxx": "there is no proposal",
        "/?machine=M9": "there is no machine &#39;M9&#39;",
        "/register?machine=M9&name=tool%205%20radius": "there is no machine",
        "/register?machine=M1&name=tool%2099%20radius": "no plan of M1 looks at",
        "/register?machine=M1&name=nonsense": "wanted &#34;tool 5 radius&#34;",
        "/register": "found no machine or no name",
    }.items():
        said = board.ask(path)
        assert (said.status, words in said.text) == (404, True), (path, said.text[-900:])
