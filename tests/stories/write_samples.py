"""Writes sample_logs/: `python -m tests.stories.write_samples` gives the same bytes every time."""

from collections.abc import Mapping
from pathlib import Path

from tests.stories.situations import SITUATIONS
from tests.stories.together import TOGETHER

ALL = {**SITUATIONS, **TOGETHER}
SAMPLE_LOGS = Path(__file__).parents[2] / "sample_logs"


def samples() -> Mapping[str, bytes]:
    """Path under sample_logs -> content of every file that is generated: all but the READMEs."""
    return {
        f"{situation}/{path}": text.encode("latin-1" if path.startswith("logs/") else "utf-8")
        for situation, happens in ALL.items()
        for path, text in happens().texts().items()
    }


def main() -> None:
    for name, content in samples().items():
        path = SAMPLE_LOGS / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)


if __name__ == "__main__":
    main()
