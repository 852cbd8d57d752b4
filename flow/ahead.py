"""Work on the next items of a stream while the current one is being used."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

T = TypeVar("T")


def ahead(items: Iterable[T], *, depth: int = 4) -> Iterator[T]:
    """Yield ``items`` unchanged, made up to ``depth`` ahead by a thread of their own.

    For a decoder, which releases the interpreter while it works. An error comes where its item would have come.

    >>> list(ahead(range(5)))
    [0, 1, 2, 3, 4]
    """
    source = iter(items)
    with ThreadPoolExecutor(1, thread_name_prefix="ahead") as worker:
        waiting: deque[Future[T | None]] = deque(worker.submit(next, source, None) for _ in range(depth))
        while (item := waiting.popleft().result()) is not None:
            waiting.append(worker.submit(next, source, None))
            yield item
