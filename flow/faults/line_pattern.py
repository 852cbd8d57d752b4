"""Columns (or rows) of a sensor that differ from each other: each has an amplifier of its own, and its offset.

Such lines do not fade as ground passes along them, so that even faint ones hold the speed across. They are told from
furrows by ground that has moved sideways: lines are averaged apart over two sets of lanes that never share any ground.
What both show alike is the sensor's; and since one amplifier knows nothing of the next, it is white, which ground behind a
lens never is: it shows in the finest detail, and where ground says much little is left of what both say alike (Wiener).
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
import scipy.fft
import scipy.ndimage
from numpy.typing import NDArray

Floats: TypeAlias = NDArray[np.float32]

_LANE_PX = 4.0  # size: px, lanes of one set, of none, of the other, of none, and so on
_FEWEST, _MOST = 3, 64  # size: looks, at either set before a verdict, and that count
_SMOOTH = 31  # size: frequencies, neighbours that share what chance leaves
_SURE = 5.0  # rate: 6e-7 two-sided, five sigmas
_LEAST_POWER = 1e-9  # size: levels^2, no power at all


class LinePattern:
    """Learns the offsets of lines.

    Parameters
    ----------
    count
        How many there are.
    """

    def __init__(self, count: int) -> None:
        self._means, self._looks = np.zeros((2, count)), [0, 0]
        self.left = np.inf
        """What the latest offsets leave of the sensor's, levels^2; infinite before anything is known."""

    def add(self, levels: NDArray[np.int16], across_px: float) -> None:
        """Take in the mean levels of the lines (N,) while the ground has moved so far across them."""
        lane = int(across_px // _LANE_PX) % 4
        if lane % 2 == 0:
            one = lane // 2
            self._looks[one] = min(self._looks[one] + 1, _MOST)
            self._means[one] += (levels - self._means[one]) / self._looks[one]

    def offsets(self) -> Floats:
        """Levels (N,) that are the sensor's; zero where nothing is sure."""
        one, two = scipy.fft.dct(self._means, norm="ortho")
        # Each holds the pattern and ground; the product of two that are ground alone has the variance of their power's square.
        each = scipy.ndimage.uniform_filter1d(0.5 * (np.square(one) + np.square(two)), _SMOOTH) + _LEAST_POWER
        weight = each**-2.0
        power, sigma = np.sum(weight * one * two) / weight.sum(), 1 / np.sqrt(weight.sum())
        self.left = np.inf if min(self._looks) < _FEWEST else 0.0
        if self.left > 0 or power < _SURE * sigma:
            return np.zeros(len(one), np.float32)
        ground = 0.5 * np.maximum(each - power, 0)  # in the mean of both
        self.left = float(np.mean(power * ground / (power + ground)))
        return np.asarray(scipy.fft.idct(power / (power + ground) * 0.5 * (one + two), norm="ortho"), np.float32)
