"""What a snippet is made from: one proposed correction, and the refusal to write one."""

from dataclasses import dataclass
from decimal import Decimal

from feedback.errors import TrueupError
from feedback.registers import Register


class SnippetError(TrueupError):
    """No snippet can be written; the message says for what, why, and what to do instead. Exit code 1."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """One proposed change of one register. Values are radius-valued millimetres, or degrees for a rotary register.

    `new` is absolute and equals `now` + `change`; `features` are the ids it rests on, `parts` the first and last
    or all of them.
    """

    id: str
    cell: str
    machine: str
    register: Register
    now: Decimal
    change: Decimal
    new: Decimal
    cause: str
    was_cut: bool
    features: tuple[str, ...]
    parts: tuple[str, ...]
    expires: str
    cautions: tuple[str, ...] = ()  # what is to be known of the measurements it rests on
