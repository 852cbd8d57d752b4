"""Stretches of time in which something holds."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Array: TypeAlias = NDArray[np.float64]
Span: TypeAlias = tuple[float, float]


def spans_of(wrong: NDArray[np.bool_], begin_s: Array, end_s: Array) -> list[Span]:
    """Join neighbouring entries that are marked.

    >>> spans_of(np.array([False, True, True, False]), np.arange(4.0), np.arange(1.0, 5.0))
    [(1.0, 3.0)]
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[False], wrong, [False]]).astype(int)))
    return [(float(begin_s[a]), float(end_s[b - 1])) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def whole(spans: list[Span]) -> Span | None:
    """Give the span from the first to the last; None of none."""
    return (spans[0][0], spans[-1][1]) if spans else None


def worded(spans: list[Span]) -> str:
    """Say how often and how long: ``in 3 places, 1.2 s in all``."""
    total = sum(end - begin for begin, end in spans)
    return f"{total:.2g} s" if len(spans) == 1 else f"in {len(spans)} places, {total:.2g} s in all"
