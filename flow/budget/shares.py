"""Which source of error a band is mostly made of, and which has made it wider."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.error_sources import SOURCES, ErrorSource

Array: TypeAlias = NDArray[np.float64]


def largest(sigmas: Array) -> ErrorSource | None:
    """Source with the most variance over some rows, (sources, N) one-sigmas in the order of ``SOURCES``; None if there is none.

    NaN counts as nothing known.
    """
    parts = np.square(np.nan_to_num(sigmas)).sum(axis=1)
    return SOURCES[int(np.argmax(parts))] if parts.max() > 0 else None


def most_grown(before: Array, now: Array) -> ErrorSource:
    """Source whose variance has grown by most, from one-sigmas (sources,) to others; NaN counts as nothing."""
    return SOURCES[int(np.argmax(np.square(np.nan_to_num(now)) - np.square(before)))]


def usual(sigmas: Array) -> Array:
    """Median one-sigma (sources,) of some rows (sources, N), those left out that are not known; zeros where none is."""
    known = sigmas[:, np.isfinite(sigmas).all(axis=0)]
    return np.asarray(np.median(known, axis=1)) if known.shape[1] else np.zeros(len(sigmas))
