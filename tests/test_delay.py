"""How far ahead a prediction has to look: what cell.toml says, or what the log has shown."""

import pytest

from feedback.delay import parts_before_entry


@pytest.mark.parametrize(
    ("taken", "lag"),
    [
        ([], 2),
        ([9, 9], 2),  # two may have waited over lunch
        ([5, 6, 5], 5),
        ([0, 1, 0, 1], 2),  # quicker than stated: what was stated stays
        ([5, 60, 5, 6], 5),  # one over the weekend
        ([1] * 9 + [7] * 9, 7),  # other people now
    ],
)
def test_entries_that_take_longer_than_stated_are_waited_for(taken: list[int], lag: int) -> None:
    """The median of the last entries, from three on, where it is more than the stated two parts."""
    assert parts_before_entry(2, taken) == lag
