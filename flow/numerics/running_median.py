"""The median of a stream in constant memory."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike


class RunningMedian:
    """A running median of positive numbers to 0.5 %: counts in steps of 1 %, from 1e-6 to 1e3.

    >>> median = RunningMedian()
    >>> median.add([0.001, 0.002, 0.9])
    >>> round(median.value(), 4)
    0.002
    """

    _STEP = math.log(1.01)
    _BINS = int(math.log(1e9) / _STEP) + 1

    def __init__(self) -> None:
        self._counts = np.zeros(self._BINS, np.int64)

    def add(self, values: ArrayLike) -> None:
        """Take a number, or some."""
        places = np.log(np.maximum(values, 1e-6) / 1e-6) / self._STEP
        np.add.at(self._counts, np.minimum(places.astype(int), self._BINS - 1), 1)

    def value(self) -> float | None:
        """Give the median to three digits, None of nothing."""
        total = int(self._counts.sum())
        if total == 0:
            return None
        place = int(np.searchsorted(np.cumsum(self._counts), (total + 1) // 2))
        return float(f"{1e-6 * math.exp((place + 0.5) * self._STEP):.3g}")
