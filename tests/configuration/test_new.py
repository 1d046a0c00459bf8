"""A new cell folder is sound from the first minute."""

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from feedback.configuration.check import report
from feedback.configuration.loading import from_texts, load
from feedback.configuration.new import starter
from feedback.errors import UsageError
from feedback.units import LengthUnit
from rules.limits import Limits
from tests.configuration.cells import FOLDER

UNITS: tuple[LengthUnit, ...] = ("mm", "inch")


@pytest.mark.parametrize("unit", UNITS)
def test_a_new_folder_loads_from_disk_without_faults(tmp_path: Path, unit: LengthUnit) -> None:
    """Somebody who has only typed `trueup new` can go on with `trueup check`."""
    for name, text in starter("Cell 3", "M1", unit).items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(text, encoding="utf-8")
    configuration = load(tmp_path)
    assert configuration.machines["M1"].logs == (tmp_path / "logs/M1",)
    assert configuration.machines["M1"].logs[0].is_dir()
    assert [path.name for path in configuration.machines["M1"].logs[0].iterdir() if path.name[0] != "."] == []


@given(
    st.text(min_size=1).filter(str.strip),
    st.from_regex(r"[A-Za-z0-9][A-Za-z0-9._-]{0,8}", fullmatch=True),
    st.sampled_from(UNITS),
)
def test_any_name_gives_a_sound_folder(name: str, machine: str, unit: LengthUnit) -> None:
    """Quotes, umlauts or line ends in the cell's name break nothing."""
    configuration = from_texts(FOLDER, starter(name, machine, unit))
    assert configuration.name == name
    assert list(configuration.machines) == [machine]


def test_the_limits_written_down_are_the_shipped_ones() -> None:
    """Writing the limits down changes nothing but the step of work offsets, which a fixture seldom needs in full."""
    limits = from_texts(FOLDER, starter("Cell 3", "M1", "mm")).limits
    assert limits.default == Limits()
    assert limits.kinds["tool"] == Limits()
    assert limits.kinds["work"] == Limits(step_um=10.0)
    assert limits.kinds["rotary"] == Limits(step_um=10.0, travel_um=100.0, implausible_um=1000.0)


def test_every_limit_has_its_reason_beside_it() -> None:
    """A number without a reason is changed by the next person who is in a hurry."""
    text = starter("Cell 3", "M1", "mm")["limits.toml"].partition("[kind.work]")[0]
    stated = [line for line in text.splitlines() if re.match(r"\w+ =", line)]
    assert len(stated) == 10
    assert all(re.search(r"  # \S+ \S+", line) for line in stated)


@pytest.mark.parametrize("unit", UNITS)
def test_the_example_can_be_held(unit: LengthUnit) -> None:
    """No step of the example is coarser than its band."""
    (machine,) = report(from_texts(FOLDER, starter("Cell 3", "M1", unit))).machines
    assert [warning for warning in machine.warnings if "band" in warning or "implausible" in warning] == []


@pytest.mark.parametrize(
    ("name", "machine", "words"), [("Cell", "M 1", "machine: found 'M 1'"), (" ", "M1", "an empty name")]
)
def test_a_bad_name_is_answered_with_words(name: str, machine: str, words: str) -> None:
    """Folders carry the machine's name."""
    with pytest.raises(UsageError, match=words):
        starter(name, machine, "mm")
