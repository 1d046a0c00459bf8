"""Where the work is done changes nothing of what comes out."""

from collections.abc import Iterator
from typing import Any
from unittest.mock import patch

import numpy as np
import pytest

from feedback.errors import UsageError
from feedback.replay import deciding
from feedback.replay.deciding import Power, outcomes
from feedback.replay.workers import done
from rules.limits import Limits
from tests.replay import shop

COMPARED = ("squares", "outside", "room_um", "corrections", "held", "stopped", "alarms", "read", "parts")


def tenfold(number: int) -> int:
    return 10 * number


@pytest.mark.parametrize("workers", [1, 2])
def test_results_come_in_the_order_of_the_tasks(workers: int) -> None:
    """However many processes: each setting keeps its own result, and the bar moves with each."""
    told: list[tuple[int, int]] = []
    assert done(tenfold, range(5), workers=workers, progress=lambda k, n: told.append((k, n))) == [0, 10, 20, 30, 40]
    assert told == [(k, 5) for k in range(1, 6)]


def test_two_processes_give_the_same_bytes() -> None:
    """A long past is shared out among processes; what is found does not tell how many there were."""
    lanes = shop.lanes(shop.uncorrected("steady", 60, seed=2))
    each = [[limits] * sum(len(one.names) for one in lanes) for limits in (Limits(), Limits(band=0.1))]
    here = outcomes(lanes, each)
    with patch.object(deciding, "WORTH_A_PROCESS", 0):
        there = outcomes(lanes, each, Power(workers=2))
    for name in COMPARED:
        assert np.asarray(getattr(here, name)).tobytes() == np.asarray(getattr(there, name)).tobytes()


def test_a_scheduler_that_is_not_there_is_said() -> None:
    """A mistyped address is answered with what was found and what was wanted, and soon."""
    with pytest.raises(UsageError, match=r"--dask: no scheduler answers at 'tcp://127\.0\.0\.1:9'.*wanted an address"):
        done(tenfold, [1], dask="tcp://127.0.0.1:9")


@pytest.fixture
def address() -> Iterator[str]:
    """A scheduler with one worker, in threads of this process."""
    import distributed

    local: Any = distributed.LocalCluster
    cluster = local(
        n_workers=1, threads_per_worker=1, processes=False, dashboard_address=None, protocol="tcp", host="127.0.0.1"
    )
    yield cluster.scheduler_address
    cluster.close()


@pytest.mark.filterwarnings("ignore")  # what a cluster says of a busy computer is not ours
def test_a_cluster_by_its_address_gives_the_same_bytes(address: str) -> None:
    """A shop with a cluster gets the same limits as one with a laptop."""
    lanes = shop.lanes(shop.uncorrected("steady", 60, seed=2))
    each = [[limits] * sum(len(one.names) for one in lanes) for limits in (Limits(), Limits(band=0.1))]
    here, there = outcomes(lanes, each), outcomes(lanes, each, Power(dask=address))
    for name in COMPARED:
        assert np.asarray(getattr(here, name)).tobytes() == np.asarray(getattr(there, name)).tobytes()
