"""Who may act: PINs, lock-outs and sessions. A PIN is short, so it is the lock-out that protects it."""

import hashlib
import hmac
import json
import os
import secrets
import threading
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

from feedback.errors import StoreError, TrueupError, UsageError

NAME: Final = "pins.json"
COST: Final = {"n": 2**15, "r": 8, "p": 1}  # 32 MiB and about a tenth of a second a try
MEMORY: Final = 64 * 2**20
DIGITS: Final = (4, 12)
TRIES_OF_A_PERSON: Final = 5
TRIES_OF_AN_ADDRESS: Final = 10
FIRST_LOCK_S: Final = 60.0
LONGEST_LOCK_S: Final = 3600.0
SESSION_S: Final = 8 * 3600.0  # a shift
MOST_SESSIONS: Final = 1000


class RefusedError(TrueupError):
    """Somebody may not do this now; `status` is the answer's HTTP status."""

    def __init__(self, words: str, status: int = 403) -> None:
        super().__init__(words)
        self.status = status


def check_pin(pin: str) -> None:
    """UsageError for a PIN that anybody would try first."""
    least, most = DIGITS
    if not (pin.isascii() and pin.isdigit() and least <= len(pin) <= most):
        raise UsageError(f"found a PIN that is not {least} to {most} digits; wanted digits alone; nothing was changed")
    steps = {(int(b) - int(a)) % 10 for a, b in pairwise(pin)}
    if steps in ({0}, {1}, {9}):
        raise UsageError("found a PIN of one digit or of digits in a row; wanted one that is not tried first")


def set_pin(folder: Path, person: str, pin: str) -> Path:
    """Keep the PIN of `person` in the cell's state folder, hashed; a new one takes the place of the old one."""
    check_pin(pin)
    salt = secrets.token_bytes(16)
    path = folder / "state" / NAME
    kept = {**_kept(path), person: {"salt": salt.hex(), "key": _key(pin, salt).hex()}}
    path.parent.mkdir(exist_ok=True)
    new = path.with_suffix(".new")
    with suppress(FileNotFoundError):
        new.unlink()
    descriptor = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "w", encoding="utf-8") as file:
        json.dump(kept, file)
    new.replace(path)
    return path


def _kept(path: Path) -> dict[str, Any]:
    try:
        found: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return {}
    except (OSError, ValueError) as error:
        raise StoreError(f"{path}: the PINs cannot be read: {error}; set them anew with --set-pin") from error
    return found


def _key(pin: str, salt: bytes) -> bytes:
    return hashlib.scrypt(pin.encode(), salt=salt, maxmem=MEMORY, dklen=32, **COST)


def pin_is_right(folder: Path, person: str, pin: str) -> bool:
    """Whether `pin` is that of `person`. An unknown person takes as long as a known one."""
    kept = _kept(folder / "state" / NAME).get(person)
    salt = bytes.fromhex(kept["salt"]) if kept else b"nobody has this"
    wanted = bytes.fromhex(kept["key"]) if kept else b""
    return hmac.compare_digest(_key(pin[: DIGITS[1] + 1], salt), wanted)


def has_pin(folder: Path, person: str) -> bool:
    return person in _kept(folder / "state" / NAME)


class LockOut:
    """Counts wrong tries of one kind of key; from the last allowed one on, each locks for twice as long."""

    def __init__(self, tries: int) -> None:
        self._tries = tries
        self._wrong: dict[str, tuple[int, float]] = {}  # key -> wrong tries in a row, locked until (seconds)

    def left_s(self, key: str, now_s: float) -> float:
        """How many seconds the key is still locked."""
        return max(0.0, self._wrong.get(key, (0, 0.0))[1] - now_s)

    def count(self, key: str, now_s: float) -> None:
        """A try begins: it counts as wrong until it is known to be right, so that many at once help nobody."""
        wrong = self._wrong.get(key, (0, 0.0))[0] + 1
        over = wrong - self._tries
        locked_s = min(FIRST_LOCK_S * 2 ** min(over, 10), LONGEST_LOCK_S) if over >= 0 else 0.0
        self._wrong[key] = (wrong, now_s + locked_s)

    def forget(self, key: str) -> None:
        self._wrong.pop(key, None)


@dataclass
class Access:
    """Checks PINs and keeps who has signed in. Safe to use from several threads."""

    folder: Path
    _secret: bytes = field(default_factory=lambda: secrets.token_bytes(32))
    _persons: LockOut = field(default_factory=lambda: LockOut(TRIES_OF_A_PERSON))
    _addresses: LockOut = field(default_factory=lambda: LockOut(TRIES_OF_AN_ADDRESS))
    _signed_in: dict[str, tuple[str, float]] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _hashing: threading.Semaphore = field(default_factory=lambda: threading.Semaphore(2))

    def check(self, person: str, pin: str, address: str, now_s: float) -> None:
        """RefusedError unless `pin` is that of `person` and neither the person nor the address is locked out."""
        with self._lock:
            self._check_lock_outs(person, address, now_s)
            self._persons.count(person, now_s)
            self._addresses.count(address, now_s)
        with self._hashing:
            is_right = pin_is_right(self.folder, person, pin)
        if not is_right:
            raise RefusedError(self._wrong_words(person))
        with self._lock:
            self._persons.forget(person)
            self._addresses.forget(address)

    def _check_lock_outs(self, person: str, address: str, now_s: float) -> None:
        left_s = max(self._persons.left_s(person, now_s), self._addresses.left_s(address, now_s))
        if left_s > 0:
            raise RefusedError(
                f"too many wrong PINs; wait {left_s:.0f} s and try again. Nothing was changed. A forgotten PIN is set "
                "anew on the board's own computer: trueup board --set-pin PERSON",
                429,
            )

    def _wrong_words(self, person: str) -> str:
        if not has_pin(self.folder, person):
            return (
                f"no PIN has been set for {person!r}; set one on the board's own computer: trueup board --set-pin "
                f"{person}. Nothing was changed."
            )
        return f"that is not the PIN of {person!r}. Nothing was changed; try again."

    # -- sessions ------------------------------------------------------------------------------------------------

    def sign_in(self, session: str, person: str, now_s: float) -> None:
        with self._lock:
            self._signed_in = {key: kept for key, kept in self._signed_in.items() if kept[1] > now_s}
            if len(self._signed_in) >= MOST_SESSIONS:
                raise RefusedError("too many people are signed in; wait and try again", 503)
            self._signed_in[session] = (person, now_s + SESSION_S)

    def sign_out(self, session: str) -> None:
        with self._lock:
            self._signed_in.pop(session, None)

    def person_of(self, session: str, now_s: float) -> str | None:
        """Who has signed in with this session; None when nobody has, or a shift has passed since."""
        person, until_s = self._signed_in.get(session, (None, 0.0))
        return person if until_s > now_s else None

    def token(self, session: str) -> str:
        """What a form of this session must bring back. Masked anew each time, so that packing a page tells nothing."""
        mask = secrets.token_bytes(32)
        return (mask + _mixed(mask, self._proof(session))).hex()

    def check_token(self, session: str, token: str) -> None:
        """RefusedError for a form that this board did not give to this session."""
        try:
            brought = bytes.fromhex(token)
        except ValueError:
            brought = b""
        proof = _mixed(brought[:32], brought[32:])
        if not hmac.compare_digest(proof, self._proof(session)):
            raise RefusedError("this form is not of the board's present pages; nothing was changed; open the page anew")

    def _proof(self, session: str) -> bytes:
        return hmac.digest(self._secret, session.encode(), "sha256")


def _mixed(a: bytes, b: bytes) -> bytes:
    return bytes(x ^ y for x, y in zip(a, b, strict=False))


def new_session() -> str:
    return secrets.token_urlsafe(32)


def may(people: Mapping[str, Any], duty: str) -> list[tuple[str, str]]:
    """Id and name of those who may do `duty`, in the order of cell.toml."""
    return [(id, person.name) for id, person in people.items() if duty in person.may]
