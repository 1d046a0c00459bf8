"""Every error a person can meet, one class per exit code.

A bad measurement is a finding, not an exception (see `feedback.records.Unreadable` and `feedback.trust`).
"""

from dataclasses import dataclass
from pathlib import Path


class TrueupError(Exception):
    """Something failed; the message says where, what was found, what was wanted and what to do. Exit code 1."""

    exit_code = 1


class UsageError(TrueupError):
    """The question cannot be answered as asked (unknown proposal, person or register). Exit code 2."""

    exit_code = 2


class StoreError(TrueupError):
    """The store cannot be opened, is damaged, or is in use by another trueup. Exit code 1."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault of a configuration file."""

    path: Path
    line: int
    key: str
    message: str

    def __str__(self) -> str:
        key = f"{self.key}: " if self.key else ""
        return f"{self.path}:{self.line}: {key}{self.message}"


class ConfigurationError(TrueupError):
    """All faults of the configuration at once, one line each with file and line. Exit code 2."""

    exit_code = 2

    def __init__(self, faults: list[Fault]) -> None:
        super().__init__("\n".join(str(fault) for fault in faults))
        self.faults = faults
