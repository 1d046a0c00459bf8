"""How sure a cause must be before it is named."""

from pathlib import Path

import pytest

from feedback.configuration.loading import from_texts
from feedback.errors import ConfigurationError
from feedback.simulate.faults import single_fault
from feedback.simulate.writer import cell_texts

TEXTS = cell_texts(single_fault("none"))


def likelihood(limits: str) -> float:
    return from_texts(Path("cell"), {**TEXTS, "limits.toml": limits}).limits.likelihood


def test_a_cause_is_named_at_twenty_to_one() -> None:
    """Shipped, and where limits.toml says nothing else; a shop may ask for more."""
    assert likelihood("") == 20.0
    assert likelihood('[default]\nlikelihood = "100 times"\n') == 100.0


@pytest.mark.parametrize("stated", ["20", '"20"', '"20 %"', '"2 times"', '"many times"', "true"])
def test_how_often_is_said_with_its_word(stated: str) -> None:
    """A bare number, another unit or odds that mean nothing are refused with what was wanted."""
    with pytest.raises(ConfigurationError, match='such as "20 times"'):
        likelihood(f"[default]\nlikelihood = {stated}\n")


def test_it_is_one_for_the_whole_machine() -> None:
    """Causes are weighed over all registers together, so no register can have odds of its own."""
    with pytest.raises(ConfigurationError, match="likelihood"):
        likelihood('[kind.tool]\nlikelihood = "20 times"\n')
