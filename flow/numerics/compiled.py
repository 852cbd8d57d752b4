"""Loops compiled to machine code, for what runs on every pixel or every match of every frame."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

from numba import njit
from numba.core import event

F = TypeVar("F", bound=Callable[..., Any])

_OPTIONS: dict[str, Any] = {"nogil": True, "fastmath": {"contract", "reassoc", "nsz", "arcp"}, "error_model": "numpy"}


def compiled(function: F) -> F:
    """Compile a function of arrays and numbers with numba; the result is kept on disk for the next run.

    Arithmetic may be reordered (sums in several lanes at a time), NaN and infinity keep their meaning. The interpreter's
    lock is released while it runs.
    """
    return cast(F, njit(cache=True, **_OPTIONS)(function))


def inlined(function: F) -> F:
    """Compile a function as a part of each that calls it: what is a constant there is one here, the length of a loop say."""
    return cast(F, njit(inline="always", **_OPTIONS)(function))


class _Watcher(event.Listener):
    def __init__(self, begin: Callable[[], None]) -> None:
        self._begin = begin

    def on_start(self, event: Any) -> None:
        self._begin()

    def on_end(self, event: Any) -> None:
        pass


def watch_compiler(begin: Callable[[], None]) -> Callable[[], None]:
    """Have ``begin`` called whenever a loop is compiled, which takes seconds, and not when it is loaded from the disk.

    Returns
    -------
    What ends the watch.
    """
    watcher, events = _Watcher(begin), cast(Any, event)
    events.register("numba:compile", watcher)
    return lambda: events.unregister("numba:compile", watcher)
