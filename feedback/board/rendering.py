"""Templates and the board's own files: everything a page may load comes from here."""

import gzip
import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import jinja2

from feedback.signs import shown

HERE: Final = Path(__file__).parent
TYPES: Final[Mapping[str, str]] = {
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}


@dataclass(frozen=True, slots=True)
class OwnFile:
    """One file that pages load, as it is and packed."""

    type: str
    plain: bytes
    packed: bytes


def own_files() -> dict[str, OwnFile]:
    """The board's own files by name; licence texts lie beside them and are not served."""
    paths = [path for path in (HERE / "static").iterdir() if path.suffix in TYPES]
    return {path.name: _own_file(path) for path in sorted(paths)}


def _own_file(path: Path) -> OwnFile:
    plain = path.read_bytes()
    return OwnFile(TYPES[path.suffix], plain, gzip.compress(plain, 9, mtime=0))


def version_of(files: Mapping[str, OwnFile]) -> str:
    """Changes with any of the files, so that a browser never mixes old and new ones."""
    return hashlib.sha256(b"".join(file.plain for file in files.values())).hexdigest()[:12]


def templates(version: str) -> jinja2.Environment:
    """The pages. Every value is made visible and escaped wherever it stands; a missing name is an error."""
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        finalize=shown,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["version"] = version
    return environment
