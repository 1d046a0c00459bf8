"""Writes sample_logs/trend.svg, the picture in the README: the demo's proposal as the tool draws it.

python -m tests.write_picture
"""

import shutil
import tempfile
from pathlib import Path

import feedback

ROOT = Path(__file__).parents[1]
PICTURE = ROOT / "sample_logs" / "trend.svg"


def trend(scratch: Path, situation: str = "steady-wear", register: str = "tool 5 radius") -> str:
    """The picture behind the proposal for `register` of a sample cell, read in the folder `scratch`."""
    folder = shutil.copytree(ROOT / "sample_logs" / situation, scratch / situation)
    with feedback.open_cell(folder) as cell:
        decisions = cell.process()["machines"][0]["decisions"]
        proposal = next(entry["proposal"] for entry in decisions if entry["register"] == register)
        return cell.picture(proposal["id"])


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as scratch:
        PICTURE.write_text(trend(Path(scratch)), encoding="utf-8", newline="\n")
