"""What a board is started with."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime

from feedback.errors import UsageError

_NAME = r"[a-z0-9]([a-z0-9.-]*[a-z0-9])?|\[[0-9a-f:]+\]"
OWN_NAMES = ("127.0.0.1", "localhost", "[::1]")
PORT = 8420


def _present() -> datetime:
    return datetime.now(UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Where the board listens, by which names it may be called, and whether reading needs a person as well.

    Without `names` it listens to this computer alone. Acting always needs a person and a PIN.
    """

    port: int = PORT
    names: tuple[str, ...] = ()
    closed: bool = False
    now: Callable[[], datetime] = _present

    def __post_init__(self) -> None:
        for name in self.names:
            if re.fullmatch(_NAME, name, re.IGNORECASE) is None:
                raise UsageError(
                    f"--lan: found {name!r}; wanted the name or address by which panels call this computer, such as "
                    "board-pc or 192.168.10.5, without http:// and port"
                )

    @property
    def address(self) -> str:
        """The address to listen at: this computer's own, unless the shop's network was asked for."""
        return "0.0.0.0" if self.names else "127.0.0.1"

    @property
    def hosts(self) -> frozenset[str]:
        """What a browser may call this board. Any other name is a stranger's page that points here."""
        names = {name.lower() for name in (*OWN_NAMES, *self.names)}
        return frozenset(f"{name}:{self.port}" for name in names) | (frozenset(names) if self.port == 80 else set())

    @property
    def origins(self) -> frozenset[str]:
        """Where a form that acts may have come from: the board's own pages."""
        return frozenset(f"http://{host}" for host in self.hosts)
