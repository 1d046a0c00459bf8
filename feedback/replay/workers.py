"""Many tasks at once: in this process, in several on this computer, or on a cluster. The same results in every case."""

import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from typing import Any, TypeVar

from feedback.errors import UsageError

Task = TypeVar("Task")
Result = TypeVar("Result")
Progress = Callable[[int, int], None]

WAIT_S = 5  # for a scheduler to answer


def done(
    work: Callable[[Task], Result],
    tasks: Sequence[Task],
    *,
    workers: int = 1,
    dask: str | None = None,
    progress: Progress | None = None,
) -> list[Result]:
    """`work` of every task, in their order: by `workers` processes, or on the cluster whose scheduler is at `dask`.

    UsageError where `dask` cannot be used.
    """
    results = []
    for result in _results(work, tasks, workers, dask):
        results.append(result)
        if progress is not None:
            progress(len(results), len(tasks))
    return results


def _results(work: Callable[[Task], Result], tasks: Sequence[Task], workers: int, dask: str | None) -> Iterator[Result]:
    if dask is not None:
        yield from _on_cluster(work, tasks, dask)
    elif workers <= 1 or len(tasks) <= 1:
        yield from map(work, tasks)
    else:
        # not a plain fork: a progress bar's thread may hold a lock at just that moment
        context = multiprocessing.get_context("forkserver")
        with ProcessPoolExecutor(min(workers, len(tasks)), context, initializer=_work_alone) as pool:
            yield from pool.map(work, tasks)


def _work_alone() -> None:
    """Before numpy is loaded: processes beside each other start no threads that would stand in each other's way."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def _on_cluster(work: Callable[[Task], Result], tasks: Sequence[Task], address: str) -> Iterator[Result]:
    try:
        import distributed
    except ImportError:
        raise UsageError('--dask needs the extra of that name; install it with: pip install "trueup[dask]"') from None
    try:
        client = _client(distributed, address)
    except (OSError, ValueError) as fault:
        raise UsageError(
            f'--dask: no scheduler answers at {address!r} ({fault}); wanted an address such as "tcp://host:8786"'
        ) from None
    with client:
        # scattered first: a task carries its columns, which a scheduler need not see
        running = [client.submit(work, client.scatter(task, hash=False), pure=False) for task in tasks]
        for future in running:
            yield future.result()


def _client(distributed: Any, address: str) -> Any:
    return distributed.Client(address, timeout=WAIT_S, set_as_default=False)
