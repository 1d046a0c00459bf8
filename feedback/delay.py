"""How many parts are cut between the probing that asked for a correction and the first part cut with it. Pure.

`lag` in cell.toml says what is usual. People take longer than they say: they finish a pallet, they are at another
machine. What the log shows of the last entries counts where it is more; a prediction that stops short is too small by
the wear of the parts it left out.
"""

from collections.abc import Sequence
from statistics import median_low

LEAST_ENTRIES = 3  # one may have waited over lunch
MOST_ENTRIES = 9  # older ones were other people's


def parts_before_entry(lag: int, taken: Sequence[int]) -> int:
    """The stated `lag`, or what the median of the last entries took, oldest first, where that is more."""
    newest = taken[-MOST_ENTRIES:]
    return max(lag, median_low(newest)) if len(newest) >= LEAST_ENTRIES else lag
