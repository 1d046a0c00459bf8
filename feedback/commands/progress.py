"""Progress on stderr, only where somebody watches."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def bytes_bar(words: str) -> Iterator[Callable[[int, int], None] | None]:
    """A function to call with (bytes done, bytes in all), drawing a bar; None where stderr is not a terminal."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, DownloadColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), DownloadColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(words, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


@contextmanager
def count_bar(words: str) -> Iterator[Callable[[int, int], None] | None]:
    """A function to call with (done, in all), drawing a bar; None where stderr is not a terminal."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(words, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)
