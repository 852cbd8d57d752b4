"""The velocity expected of the next pair, so that the search for its motion starts close by."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Array: TypeAlias = NDArray[np.float64]


class ExpectedVelocity:
    """Follows velocity and acceleration (an alpha-beta filter, common practice)."""

    # size: s, an acceleration of 0.5 m/s^2 unseen for longer moves a start of the search by 0.15 m/s
    _MEMORY_S = 0.3
    _ALPHA, _BETA = 0.5, 0.3

    def __init__(self) -> None:
        self._time_s = -np.inf
        self._velocity, self._acceleration = np.zeros(3), np.zeros(3)

    def at(self, time_s: float) -> tuple[Array, Array] | None:
        """Velocity and acceleration (3,) expected at a time; None without a recent velocity."""
        ahead_s = time_s - self._time_s
        if ahead_s >= self._MEMORY_S:
            return None
        return self._velocity + ahead_s * self._acceleration, self._acceleration

    def add(self, time_s: float, velocity_m_s: Array) -> None:
        """Take in the velocity (3,) of a pair, m/s, the same axes in every call, which do not rotate."""
        expected = self.at(time_s)
        if expected is None:
            self._velocity, self._acceleration = velocity_m_s, np.zeros(3)
        else:
            surprise = velocity_m_s - expected[0]
            self._velocity = expected[0] + self._ALPHA * surprise
            self._acceleration = self._acceleration + self._BETA * surprise / (time_s - self._time_s)
        self._time_s = time_s
