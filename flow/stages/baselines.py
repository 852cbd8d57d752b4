"""What is remembered of the images and pairs that a baseline may reach back over."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.pair.baseline import MOST_PAIRS
from flow.pair.closure import Closure
from flow.pair.inertial_window import InertialWindows
from flow.pair.neighbours import NeighbourScatter
from flow.pair.search import Search
from flow.tracks import Picture

Array: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Past:
    """An image before the newest, and what the body moved by (3,), m, local inertial frame, from it to the next one."""

    time_s: float
    picture: Picture
    keyframe: bool
    moved_m: Array


class Baselines:
    """Images of consecutive rows that were vouched for, and what registrations over several of them have shown.

    Parameters
    ----------
    search
        Registers from close by.
    """

    def __init__(self, search: Search | None) -> None:
        self.search = search
        self.past: deque[Past] = deque(maxlen=MOST_PAIRS)
        self.windows, self.neighbours, self.closure = InertialWindows(), NeighbourScatter(), Closure()
        self.closed_s = -np.inf
        self.rows_since = 0
        """Since the last closure."""
        self.rows_unheard = 0
        """Refined since the windows heard one."""

    def close(
        self, time_s: float, apart_m_s: Array, pairs_m2_s2: Array, whole_m2_s2: Array, m_s_per_px: float, count: int
    ) -> None:
        """Take a closure; see :meth:`flow.pair.closure.Closure.add`."""
        self.rows_since = 0
        since_s, self.closed_s = time_s - self.closed_s, time_s
        self.closure.add(since_s, apart_m_s, pairs_m2_s2, whole_m2_s2, m_s_per_px, count)

    def interrupt(self) -> None:
        """Forget images: there is a row between that was not vouched for."""
        self.past.clear()
