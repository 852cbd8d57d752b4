"""Columns (or rows) of a sensor that differ from each other: each has an amplifier of its own, and its offset.

Such lines do not fade as ground passes along them, so that even faint ones hold the speed across. They are told from
furrows by ground that has moved sideways: lines are averaged apart over two sets of lanes that never share any ground.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.faults.white_pattern import white_pattern

Floats: TypeAlias = NDArray[np.float32]

_LANE_PX = 4.0  # lanes of one set, of none, of the other, of none, and so on
_FEWEST, _MOST = 3, 64  # looks at either set before a verdict, and that count


class LinePattern:
    """Learns the offsets of lines.

    Parameters
    ----------
    count
        How many there are.
    """

    def __init__(self, count: int) -> None:
        self._means, self._looks = np.zeros((2, count), np.float32), [0, 0]

    def add(self, levels: Floats, across_px: float) -> None:
        """Take in the mean levels of the lines (N,) while the ground has moved so far across them."""
        lane = int(across_px // _LANE_PX) % 4
        if lane % 2 == 0:
            one = lane // 2
            self._looks[one] = min(self._looks[one] + 1, _MOST)
            self._means[one] += (levels - self._means[one]) / np.float32(self._looks[one])

    def offsets(self) -> Floats:
        """Levels (N,) that are the sensor's; zero where nothing is sure."""
        one, two = self._means
        return white_pattern(one, two) if min(self._looks) >= _FEWEST else np.zeros_like(one)
