"""Loops compiled to machine code, for what runs on every pixel or every match of every frame."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

from numba import njit

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
