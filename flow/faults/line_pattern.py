"""Columns (or rows) of a sensor that differ from each other: each has an amplifier of its own, and its offset.

Such lines do not fade as ground passes along them, so that even faint ones hold the speed across. They are told from
furrows by ground that has moved sideways: lines are averaged apart over two sets of lanes that never share any, and what
both show alike is the sensor's. One amplifier knows nothing of the next: their offsets are white, which ground never is, so
that little of what they say is left where ground says much (Wiener).
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
import scipy.ndimage
from numpy.typing import NDArray

Array: TypeAlias = NDArray[np.float64]

_LANE_PX = 4.0  # lanes of one set, of none, of the other, of none, and so on
_FEWEST, _MOST = 3, 64  # looks at either set before a verdict, and that count
_SMOOTH = 9  # neighbouring frequencies that share what ground leaves
_SURE = 5.0  # sigmas


class LinePattern:
    """Learns the offsets of lines.

    Parameters
    ----------
    count
        How many there are.
    """

    def __init__(self, count: int) -> None:
        self._means, self._looks = np.zeros((2, count)), np.zeros(2, int)

    def add(self, levels: Array, across_px: float) -> None:
        """Take in the mean levels of the lines (N,) while the ground has moved so far across them."""
        lane = int(across_px // _LANE_PX) % 4
        if lane % 2 == 0:
            chosen = lane // 2
            self._looks[chosen] = min(self._looks[chosen] + 1, _MOST)
            self._means[chosen] += (levels - self._means[chosen]) / self._looks[chosen]

    def offsets(self) -> Array:
        """Levels (N,) that are the sensor's; zero where nothing is sure."""
        one, two = np.fft.rfft(self._means, axis=1)
        alike = np.real(one * np.conj(two))
        chance = scipy.ndimage.uniform_filter1d(np.square(np.abs(0.5 * (one - two))), _SMOOTH) + 1e-9
        # Where both are chance, the product of two that scatter by twice that each has a variance of twice its square.
        weight = chance**-2.0
        power, sigma = np.sum(weight * alike) / weight.sum(), np.sqrt(2 / weight.sum())
        if self._looks.min() < _FEWEST or power < _SURE * sigma:
            return np.zeros(self._means.shape[1])
        return np.fft.irfft(power / (power + chance) * 0.5 * (one + two), self._means.shape[1])
