"""Work spread over two processes, with a progress bar on standard error."""

from collections.abc import Callable, Sequence
from multiprocessing import get_context
from typing import TypeVar

from rich.console import Console
from rich.progress import track

Task = TypeVar("Task")
Result = TypeVar("Result")


def in_two(one: Callable[[Task], Result], tasks: Sequence[Task], what: str, chunksize: int = 4) -> list[Result]:
    """What `one` gives for each task, in their order.

    The processes are forked: they start with what was changed in this one, which new ones would know nothing of.
    """
    with get_context("fork").Pool(2) as pool:
        done = pool.imap(one, tasks, chunksize=chunksize)
        return list(track(done, what, total=len(tasks), console=Console(stderr=True), transient=True))
