"""Templates and the board's own files: everything a page may load comes from here."""

import hashlib
import sys
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from importlib.util import cache_from_source
from pathlib import Path
from typing import Final

import jinja2

from feedback.inches import in_own_unit
from feedback.signs import shown

HERE: Final = Path(__file__).parent
TYPES: Final[Mapping[str, str]] = {
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}


@dataclass(frozen=True, slots=True)
class OwnFile:
    """One file that pages load."""

    type: str
    content: bytes


def own_files() -> dict[str, OwnFile]:
    """The board's own files by name; licence texts lie beside them and are not served."""
    paths = [path for path in (HERE / "static").iterdir() if path.suffix in TYPES]
    return {path.name: OwnFile(TYPES[path.suffix], path.read_bytes()) for path in sorted(paths)}


def version_of(files: Mapping[str, OwnFile]) -> str:
    """Changes with any of the files, so that a browser never mixes old and new ones."""
    return hashlib.sha256(b"".join(file.content for file in files.values())).hexdigest()[:12]


class _Compiled(jinja2.FileSystemBytecodeCache):
    """Compiled templates, kept where Python keeps its own modules compiled: making them anew takes a tenth of a start.

    Their names carry what this module is like, because they depend on the settings below as well as on their source.
    """

    def __init__(self) -> None:
        place = Path(cache_from_source(str(HERE / "templates" / "_.py"))).parent
        with suppress(OSError):
            place.mkdir(parents=True, exist_ok=True)
        super().__init__(str(place), f"{hashlib.sha256(Path(__file__).read_bytes()).hexdigest()[:12]}-%s")

    def dump_bytecode(self, bucket: jinja2.bccache.Bucket) -> None:
        with suppress(OSError):  # where it may not be kept the pages work all the same
            super().dump_bytecode(bucket)


def templates(version: str) -> jinja2.Environment:
    """The pages. Every value is made visible and escaped wherever it stands; a missing name is an error."""
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        finalize=shown,
        trim_blocks=True,
        lstrip_blocks=True,
        bytecode_cache=None if sys.dont_write_bytecode else _Compiled(),
    )
    environment.globals["version"] = version
    environment.filters["in_own_unit"] = in_own_unit
    return environment
