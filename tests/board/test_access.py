"""Who may act: PINs that are not kept in the clear, lock-outs, forms that belong to the board."""

import json
from pathlib import Path

import pytest

from feedback.board import access
from feedback.board.access import Access, LockOut, RefusedError, check_pin, pin_is_right, set_pin
from feedback.errors import UsageError


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A cell folder in which op1 has a PIN."""
    made = tmp_path_factory.mktemp("pins")
    set_pin(made, "op1", "8351")
    return made


def test_only_the_right_pin_of_the_right_person_fits(folder: Path) -> None:
    """Another PIN, a longer one, none, and another person are refused."""
    assert pin_is_right(folder, "op1", "8351")
    assert not any(pin_is_right(folder, "op1", wrong) for wrong in ("8352", "83510", "", "8351" + "0" * 50))
    assert not pin_is_right(folder, "op2", "8351")


def test_a_pin_is_not_kept_in_the_clear(folder: Path) -> None:
    """The file holds a salt and a key, and nobody else on the computer may read it."""
    path = folder / "state" / access.NAME
    assert "8351" not in path.read_text()
    assert path.stat().st_mode & 0o077 == 0
    assert set(json.loads(path.read_text())["op1"]) == {"salt", "key"}


def test_two_people_with_one_pin_cannot_be_told_to_have_it(folder: Path) -> None:
    """Each PIN has a salt of its own."""
    set_pin(folder, "pe", "8351")
    kept = json.loads((folder / "state" / access.NAME).read_text())
    assert kept["pe"]["key"] != kept["op1"]["key"]


@pytest.mark.parametrize("pin", ["123", "1234567890123", "12a4", "٣٤٥٦", "", "0000", "1234", "9876", "890123", "-123"])
def test_a_pin_that_is_tried_first_is_refused(pin: str) -> None:
    """Too short, too long, no digits, one digit, digits in a row."""
    with pytest.raises(UsageError):
        check_pin(pin)


def test_wrong_tries_lock_the_person_out(folder: Path) -> None:
    """After five wrong PINs even the right one has to wait, for everybody who says to be that person."""
    door = Access(folder)
    for _ in range(access.TRIES_OF_A_PERSON):
        with pytest.raises(RefusedError, match="not the PIN"):
            door.check("op1", "9999", "192.0.2.1", now_s=1000.0)
    with pytest.raises(RefusedError, match="wait 60 s") as refused:
        door.check("op1", "8351", "192.0.2.2", now_s=1000.0)
    assert refused.value.status == 429
    door.check("op1", "8351", "192.0.2.2", now_s=1061.0)


def test_wrong_tries_lock_the_address_out(folder: Path) -> None:
    """Somebody who tries a PIN on one person after another is stopped too; a person elsewhere is not."""
    door = Access(folder)
    for i in range(access.TRIES_OF_AN_ADDRESS):
        with pytest.raises(RefusedError):
            door.check(f"nobody{i}", "9999", "192.0.2.1", now_s=1000.0)
    with pytest.raises(RefusedError, match="too many wrong PINs"):
        door.check("op1", "8351", "192.0.2.1", now_s=1000.0)
    door.check("op1", "8351", "192.0.2.2", now_s=1000.0)


def test_each_further_try_locks_for_twice_as_long() -> None:
    """60 s, 120 s, 240 s, and never more than an hour."""
    lock = LockOut(tries=2)
    left = []
    for _ in range(12):
        lock.count("op1", 0.0)
        left.append(lock.left_s("op1", 0.0))
    assert left[:5] == [0.0, 60.0, 120.0, 240.0, 480.0]
    assert left[-1] == 3600.0


def test_a_form_belongs_to_its_session(folder: Path) -> None:
    """The token of one browser is refused from another, changed, or missing; packing a page cannot tell it."""
    door = Access(folder)
    token = door.token("mine")
    door.check_token("mine", token)
    assert token != door.token("mine")
    for wrong in (
        "",
        "zz",
        token[:-2] + ("00" if token[-2:] != "00" else "11"),
        Access(folder).token("mine"),
        token[:64],
    ):
        with pytest.raises(RefusedError, match="not of the board's present pages"):
            door.check_token("mine", wrong)
    with pytest.raises(RefusedError):
        door.check_token("yours", token)


def test_somebody_who_signed_in_is_forgotten_after_a_shift(folder: Path) -> None:
    """Eight hours later, or when signing out, nobody is there any more."""
    door = Access(folder)
    door.sign_in("mine", "op1", now_s=0.0)
    assert door.person_of("mine", 8 * 3600 - 1.0) == "op1"
    assert door.person_of("mine", 8 * 3600 + 1.0) is None
    assert door.person_of("yours", 1.0) is None
    door.sign_out("mine")
    assert door.person_of("mine", 1.0) is None
