"""Loops compiled to machine code, for what runs on every pixel or every match of every frame."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

from numba import njit

F = TypeVar("F", bound=Callable[..., Any])


def compiled(function: F) -> F:
    """Compile a function of arrays and numbers with numba; the result is kept on disk for the next run.

    Arithmetic may be reordered (sums in several lanes at a time), NaN and infinity keep their meaning. The interpreter's
    lock is released while it runs.
    """
    fast = {"contract", "reassoc", "nsz", "arcp"}
    return cast(F, njit(cache=True, nogil=True, fastmath=fast, error_model="numpy")(function))
