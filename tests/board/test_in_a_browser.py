"""The board as people use it, in a real browser: gloves, two people, lost connections, names that mean harm."""

from dataclasses import replace
from pathlib import Path
from urllib.parse import quote

import pytest
from axe_playwright_python.sync_playwright import Axe  # type: ignore[import-untyped]
from playwright.sync_api import Page, expect

from feedback import heartbeat
from tests.board.conftest import Look, worn_until_proposed
from tests.board.serving import Served, somebody_reads
from tests.board.shops import PIN
from tests.stories.parts import BEARING_BORE
from tests.stories.shop import PartPlan
from tests.stories.story import RADIUS, Story, machine

PHONE = {"width": 390, "height": 844}
PANEL = {"width": 1280, "height": 800}
TOUCH_PX = 44  # WCAG 2.2, 2.5.5 (AAA): targets of at least 44 by 44 CSS pixels
REGISTER = "/register?machine=M1&name=tool%205%20radius"


def answer(page: Page, act: str, person: str = "Operator 1", pin: str = PIN, why: str = "") -> None:
    """What a person with gloves does: touch a name, the digits, perhaps a reason, and one of the two."""
    page.get_by_text(person, exact=True).click()
    for digit in pin:
        page.locator(".pad button", has_text=digit).first.click()
    if why:
        page.locator(".quick button", has_text=why).click()
    page.get_by_role("button", name=act).click()


def test_an_operator_accepts_and_sees_it_confirmed_as_new_lines_arrive(
    story: Story, board: Served, look: Look, id: str
) -> None:
    """From the shop view to the confirmed correction without touching the page again."""
    page = look(board.address)
    expect(page.locator(".now .answer")).to_contain_text("Correct")
    expect(page.locator(".now .answer")).to_contain_text(RADIUS)
    page.get_by_role("link", name="See the proposal").click()
    answer(page, "Accept")
    expect(page.locator("#status")).to_contain_text("is accepted; the log has not shown the new value yet by op1")
    expect(page.locator("form.answering")).to_have_count(0)

    story.document = story.cell.document()
    story.enter().cut()
    expect(page.locator("#status")).to_contain_text("was entered")
    story.cut(parts=4)
    expect(page.locator("#status")).to_contain_text("is confirmed")
    expect(page.locator(".standing")).to_contain_text("of the promised effect")
    events = story.events("accepted")
    assert [(event["id"], event["by"]) for event in events] == [(id, "op1")]


def test_two_people_answer_at_once_and_one_is_told(board: Served, look: Look, story: Story, id: str) -> None:
    """Whoever is second sees who was first, on the page and when pressing all the same."""
    first, second = look(f"{board.address}/proposal/{id}"), look(f"{board.address}/proposal/{id}")
    # the second page is deaf: it keeps what it was shown until it is pressed
    second.evaluate("document.querySelectorAll('[data-live]').forEach(piece => piece.removeAttribute('data-live'))")
    third = look(f"{board.address}/proposal/{id}")
    answer(first, "Reject", why="tool will be changed")
    expect(third.locator("#status")).to_contain_text("was rejected by op1: tool will be changed")
    expect(third.locator("form.answering")).to_have_count(0)

    answer(second, "Accept", person="Process engineer")
    expect(second.locator("#refused")).to_contain_text("found rejected by op1")
    assert story.events("accepted") == []


def test_a_stale_page_cannot_accept(board: Served, look: Look, story: Story, id: str) -> None:
    """A page that shows another content than the stored proposal is refused by the digest."""
    page = look(f"{board.address}/proposal/{id}")
    page.evaluate("document.querySelector('[name=digest]').value = 'sha256:' + '0'.repeat(64)")
    answer(page, "Accept")

    expect(page.locator("#refused")).to_contain_text("it is not the one that was shown")
    assert story.events("accepted") == []


def test_what_was_typed_stays_while_news_arrive_and_the_pin_never_comes_back(
    board: Served, look: Look, story: Story, id: str
) -> None:
    """New parts do not empty a form that is being filled in; a refusal brings everything back but the PIN."""
    page = look(f"{board.address}/proposal/{id}")
    page.locator("#words").fill("measured it twice")
    page.locator("#pin").fill("1111")
    story.cut()
    page.wait_for_timeout(800)
    expect(page.locator("#words")).to_have_value("measured it twice")
    page.get_by_text("Operator 1", exact=True).click()
    page.get_by_role("button", name="Accept").click()

    expect(page.locator("#refused")).to_contain_text("that is not the PIN of 'op1'. Nothing was changed")
    expect(page.locator("#words")).to_have_value("measured it twice")
    expect(page.locator("#pin")).to_have_value("")
    expect(page.locator("[name=person][value=op1]")).to_be_checked()


def test_a_lost_connection_is_seen_at_once_and_healed(board: Served, look: Look, story: Story) -> None:
    """Without the board nothing is known: the answer goes away, and comes back with the present one."""
    page = look(board.address)
    expect(page.locator("#link-words")).to_have_text("live")
    board.end()
    try:
        expect(page.locator("#lost")).to_be_visible(timeout=3000)
        expect(page.get_by_text("Not known")).to_be_visible()
        expect(page.locator(".now .answer")).to_be_hidden()
        expect(page.locator(".then")).to_contain_text("The last answer here was: Correct tool 5 radius")
    finally:
        board.start()
    expect(page.locator("#lost")).to_be_hidden(timeout=8000)
    expect(page.locator(".now .answer")).to_contain_text("Correct")


def test_without_a_connection_nothing_can_be_pressed(board: Served, look: Look, id: str) -> None:
    """Accept and Reject are dead while nobody knows whether the proposal still stands."""
    page = look(f"{board.address}/proposal/{id}")
    expect(page.locator("#link-words")).to_have_text("live")
    board.end()
    try:
        expect(page.get_by_role("button", name="Accept")).to_be_disabled(timeout=3000)
    finally:
        board.start()
    expect(page.get_by_role("button", name="Accept")).to_be_enabled(timeout=8000)


def test_a_network_that_goes_silent_is_noticed(board: Served, look: Look) -> None:
    """A stream that is open but says nothing for three pulses is a lost connection too."""
    page = look(board.address)
    expect(page.locator("#link-words")).to_have_text("live")
    page.context.set_offline(True)
    page.route("**/events", lambda route: route.abort())
    page.evaluate("performance.now = () => 1e12")  # as if a long time had passed
    expect(page.locator("#lost")).to_be_visible(timeout=4000)


def test_old_answers_are_not_shown_when_nobody_reads(board: Served, look: Look, story: Story) -> None:
    """When the reader ends, or a log folder is away, the last answer is called what it is: the last one."""
    page = look(board.address)
    expect(page.locator(".now .answer")).to_contain_text("Correct")
    heartbeat.stop(story.folder)
    expect(page.locator(".now .answer")).to_have_text("Not known")
    expect(page.locator(".now .to-do")).to_contain_text("Nobody reads the logs")
    somebody_reads(story.folder, away=["M1"], troubles=["M1: its folder cannot be read: it is away"])
    expect(page.locator(".now .to-do")).to_have_text("The log folder of this machine cannot be read.")
    expect(page.locator(".notice")).to_contain_text("its folder cannot be read")
    somebody_reads(story.folder)
    expect(page.locator(".now .answer")).to_contain_text("Correct")


def test_the_answer_can_be_read_from_two_metres(board: Served, look: Look) -> None:
    """Capitals of the answer are at least 1/200 of the distance, 10 mm, on a panel of 0.23 mm a pixel.

    1/200 is common practice for signs; 12-inch panels of 1280 pixels across have 0.2 to 0.23 mm a pixel.
    """
    page = look(board.address)
    expect(page.locator("#link-words")).to_have_text("live")
    page.wait_for_timeout(300)
    size = page.locator(".now .answer").evaluate("element => parseFloat(getComputedStyle(element).fontSize)")
    capitals_mm = 0.7 * size * 0.2
    assert capitals_mm >= 10


@pytest.mark.parametrize("viewport", [PHONE, PANEL], ids=["phone", "panel"])
def test_every_page_fits_and_every_button_can_be_hit(
    board: Served, look: Look, id: str, viewport: dict[str, int]
) -> None:
    """Nothing runs out of the page sideways, and nothing that is pressed is smaller than a gloved finger."""
    page = look(board.address, viewport=viewport)
    for path in ("/", f"/proposal/{id}", REGISTER, "/history", "/limits", "/probe", f"/story/{id}", "/nothing-there"):
        page.goto(board.address + path)
        over = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert over <= 0, f"{path} is {over} pixels too wide"
        sizes = page.locator("button:visible, .go:visible, nav a:visible, summary:visible").evaluate_all(
            # what a live page has replaced since it was found has no size any more
            "all => all.filter(one => one.isConnected).map(one => [one.textContent, "
            "one.getBoundingClientRect().height, one.getBoundingClientRect().width])"
        )
        small = [size for size in sizes if min(size[1:]) < TOUCH_PX]
        assert not small, f"{path}: {small}"
    page.goto(f"{board.address}/nothing-there")


EVERYTHING = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


@pytest.mark.parametrize(("scheme", "rules"), [("light", EVERYTHING), ("dark", ["color-contrast"])])
def test_nothing_bars_people_who_cannot_see_or_point_well(
    board: Served, look: Look, id: str, scheme: str, rules: list[str]
) -> None:
    """axe finds nothing against WCAG 2.2 AA on any page: names, roles, order, contrast; in the dark, contrast again."""
    page = look(board.address, color_scheme=scheme)
    paths = ("/", f"/proposal/{id}", REGISTER, "/history", "/limits", "/probe", f"/story/{id}")
    for path in paths if rules == EVERYTHING else paths[:3]:
        page.goto(board.address + path)
        found = Axe().run(page, options={"runOnly": rules}).response["violations"]
        told = [(one["id"], one["help"], [node["html"][:120] for node in one["nodes"][:3]]) for one in found]
        assert not told, f"{path}: {told}"


def test_the_keyboard_alone_is_enough(board: Served, look: Look, story: Story, id: str) -> None:
    """From the shop to an accepted proposal with Tab, space, arrows and Enter, and focus can be seen."""
    page = look(board.address)
    expect(page.locator("#link-words")).to_have_text("live")

    def tab_to(what: str) -> None:
        for _ in range(60):
            page.keyboard.press("Tab")
            if page.evaluate(f"document.activeElement.matches({what!r})"):
                assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
                return
        pytest.fail(f"Tab never came to {what}")

    tab_to(".go")
    page.keyboard.press("Enter")
    page.wait_for_url("**/proposal/**")
    tab_to("[name=person]")
    page.keyboard.press("Space")
    tab_to("#pin")
    page.keyboard.type(PIN)
    tab_to("#words")
    page.keyboard.type("looked at it")
    tab_to("button.accept")
    page.keyboard.press("Enter")
    expect(page.locator("#status")).to_contain_text("is accepted")
    assert story.events("accepted")[0]["note"] == "looked at it"


HOSTILE = "<img src=x onerror=alert(1)>'\"></script><script>alert(2)</script>{{7*7}}\u202e"


def test_names_that_mean_harm_stay_names(tmp_path: Path, look: Look) -> None:
    """Whatever stands in a log, a plan, the cell's file or a reason, the page shows it and runs none of it."""
    bore = replace(BEARING_BORE, name=HOSTILE.replace('"', ""))
    story = Story(tmp_path / "cell", machine(plan=PartPlan(part="4101", title="Body", material="steel", cuts=(bore,))))
    cell_file = story.folder / "cell.toml"
    named = cell_file.read_text(encoding="utf-8").replace("Operator 1", "<script>alert(3)</script>")
    cell_file.write_text(named.replace('"Cell 3"', f"'''{HOSTILE[:-3]}'''"), encoding="utf-8")
    worn_until_proposed(story.reopen().write(f"FEATURE {HOSTILE[:-1]}\n"))
    story.deliver(story.machines["M1"].cut().replace(f"PART {100 + story.machines['M1'].parts_cut}", "PART <b>9</b>"))
    id = story.open_proposal()["id"]
    story.cell.reject(id, by="pe", why=f"=1+1 {HOSTILE}", now=story.now())
    somebody_reads(story.folder, troubles=[HOSTILE])
    dialogs: list[str] = []
    with Served(story.folder, now=story.now) as board:
        page = look(board.address)
        page.on("dialog", lambda dialog: dialogs.append(dialog.message))
        question = quote("<script>alert(4)</script>")
        for path in (
            "/",
            f"/proposal/{id}",
            REGISTER,
            "/history",
            "/limits",
            f"/story/{id}",
            f"/history?words={question}",
        ):
            page.goto(board.address + path)
            page.wait_for_timeout(200)
            assert page.locator("main img:not(.trend), main script, main b > b").count() == 0, path
            assert "<img src=x" in page.locator("body").inner_text(), path
            assert "\u202e" not in page.content(), path
        table = board.ask("/history.csv").text
    story.cell.close()
    assert dialogs == []
    assert "'=1+1" in table or "rejected" in table


def test_the_chart_can_be_zoomed_and_read_as_a_table(board: Served, look: Look) -> None:
    """Nearer shows fewer parts, All parts shows them all again; every reading also stands in the table."""
    page = look(board.address + REGISTER)
    expect(page.locator(".chart canvas")).to_have_count(2)
    page.get_by_role("button", name="Nearer").click()
    page.get_by_role("button", name="Later").click()
    page.get_by_role("button", name="All parts").click()
    rows = page.locator("table").last.locator("tbody tr")
    parts = int(rows.first.locator("th").inner_text()) - 100
    expect(rows).to_have_count(parts)
    assert parts > 5


def test_the_snippet_can_be_copied_and_downloaded(board: Served, look: Look, story: Story, id: str) -> None:
    """What is copied and what is downloaded is the snippet to the last sign."""
    page = look(f"{board.address}/proposal/{id}", permissions=["clipboard-read", "clipboard-write"])
    page.get_by_role("button", name="Copy the snippet").click()
    expect(page.get_by_role("button", name="Copied")).to_be_visible()
    with page.expect_download() as download:
        page.get_by_role("link", name="Download it").click()

    wanted = story.cell.snippet(id)
    assert page.evaluate("navigator.clipboard.readText()") == wanted
    assert Path(download.value.path()).read_text(encoding="ascii") == wanted
    assert download.value.suggested_filename == f"{id}.nc"


def test_a_page_without_scripts_still_answers(board: Served, look: Look, story: Story, id: str) -> None:
    """An old browser with scripts off shows everything and can accept."""
    page = look(f"{board.address}/proposal/{id}", java_script_enabled=False)
    page.get_by_label("Operator 1").check()
    page.locator("#pin").fill(PIN)
    page.get_by_role("button", name="Accept").click()
    expect(page.locator("#status")).to_contain_text("is accepted")


def test_a_story_prints_without_what_is_only_for_the_screen(board: Served, look: Look, id: str) -> None:
    """On paper there are no menus and buttons, and everything quality asks for is there."""
    page = look(f"{board.address}/story/{id}")
    page.emulate_media(media="print")
    expect(page.locator("nav")).to_be_hidden()
    expect(page.get_by_role("button", name="Print")).to_be_hidden()
    words = page.locator("main").inner_text()
    assert all(wanted in words for wanted in (id, "sha256:", "checkpoint of the history", "Limits in force", "M1/"))


def test_a_locked_register_is_released_with_a_reason(board: Served, look: Look, story: Story) -> None:
    """Release stands where the lock is explained; it needs a person who may, a PIN and what was found."""
    from feedback.ledger import review

    with story.cell.store.writing(story.now()) as tx:
        review.lock(tx, "M1", RADIUS, "the readings moved the wrong way")
    page = look(board.address)
    page.get_by_role("link", name="Release it").click()
    page.get_by_text("Release it", exact=True).click()
    page.locator("#words").fill("the sign in the plan was wrong; mended")
    answer(page, "Release", person="Quality")
    expect(page.locator(".notice", has_text="Locked.")).to_have_count(0)
    assert story.events("released")[0]["by"] == "quality"


def test_a_board_that_cannot_look_any_more_says_so(
    board: Served, look: Look, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Whatever goes wrong inside the board, its pages do not go on showing what was known before."""
    page = look(board.address)
    expect(page.locator("#link-words")).to_have_text("live")

    def broken() -> None:
        raise RuntimeError("something nobody thought of")

    monkeypatch.setattr(board.app.state.desk.source, "state", broken)
    expect(page.locator("#lost")).to_be_visible(timeout=5000)
    monkeypatch.undo()
    expect(page.locator("#lost")).to_be_hidden(timeout=8000)
    assert "could not look at the cell" in caplog.text
