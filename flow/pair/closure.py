"""Closure: several pairs added up against one registration from their first image to their last.

A codec that is coarse holds whole images back, by the same share in each pair: no difference from row to row shows it. Over
a longer way the same pull is a smaller share. What the mean of pairs has beyond the one registration, and beyond what noise
explains, lasts from row to row.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Array: TypeAlias = NDArray[np.float64]

_MEMORY_S = 3.0  # size: s, older closures fade


class Closure:
    """Learns the variance of what lasts in the error of pairs, px^2, level axes."""

    def __init__(self) -> None:
        self._mean_px2, self._weight = np.zeros(3), np.zeros(3)

    @property
    def lasting_px2(self) -> Array:
        """Variance (3,) of a pair, both level directions pooled; 0 where noise explains the differences."""
        return np.maximum(self._mean_px2, 0.0)

    def add(
        self, since_s: float, apart_m_s: Array, pairs_m2_s2: Array, whole_m2_s2: Array, m_s_per_px: float, count: int
    ) -> None:
        """Take a closure.

        Parameters
        ----------
        since_s
            Time since the one before.
        apart_m_s
            (3,), mean velocity of the pairs less the one over all of them, level axes.
        pairs_m2_s2, whole_m2_s2
            (3,), variance of a single pair and of the one registration by the images.
        m_s_per_px
            Speed that moves the image by one pixel in a pair.
        count
            How many pairs.
        """
        explained = (whole_m2_s2 + pairs_m2_s2 / count) / m_s_per_px**2
        beyond = np.square(apart_m_s) / m_s_per_px**2 - explained
        explained[:2], beyond[:2] = explained[:2].mean(), beyond[:2].mean()
        # The square of a Gaussian error scatters by its variance: that is what a closure is worth.
        weight = 1 / np.square(explained + self.lasting_px2)
        self._weight = float(np.exp(-since_s / _MEMORY_S)) * self._weight + weight
        self._mean_px2 = self._mean_px2 + weight / self._weight * (beyond - self._mean_px2)
