"""Gravity and accelerometer bias together, as what velocity less integrated specific force changes by in a second."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.pair.geometry import LONGEST_INTERVAL_S

Array: TypeAlias = NDArray[np.float64]

_MEMORY_S = 1.0  # the bias turns with the body, and a gyro bias of 1 mrad/s turns gravity by 0.01 m/s^2 in that time
_LEAST_S = 0.3
_LEAST_ROWS = 8.0  # size: rows, six degrees of freedom are left for the sigma of a line


class SteadyChange:
    """A regression line of u(k) (:mod:`flow.pair.inertial_window`) over the last second, older rows fading (Gauss's recursion)."""

    def __init__(self) -> None:
        self._rows, self._time_s, self._begun_s, self._mean_s = 0.0, -np.inf, 0.0, 0.0
        self._mean, self._by_time, self._square, self._time_square = np.zeros(3), np.zeros(3), np.zeros(3), 0.0

    @property
    def m_s2(self) -> Array:
        """Change in a second (3,), local inertial frame."""
        return self._by_time / self._time_square

    @property
    def sigma_m_s2(self) -> float:
        """Its one-sigma along the worst axis; infinite while too little is known."""
        if self._rows < _LEAST_ROWS or self._time_s - self._begun_s < _LEAST_S:
            return np.inf
        left = self._square - np.square(self._by_time) / self._time_square
        return float(np.sqrt(max(left.max(), 0.0) / (self._rows - 2) / self._time_square))

    @property
    def middle_s(self) -> float:
        """Time that the line is known best at."""
        return self._mean_s

    def at(self, time_s: float) -> Array:
        """Give what the line says u (3,) is at a time."""
        return np.asarray(self._mean + (time_s - self._mean_s) * self.m_s2)

    def add(self, time_s: float, difference_m_s: Array) -> None:
        """Take in u (3,) of a row at its middle."""
        since_s = time_s - self._time_s
        self._time_s = time_s
        if since_s > LONGEST_INTERVAL_S:
            self._rows, self._begun_s, self._mean_s, self._mean = 1.0, time_s, time_s, difference_m_s
            self._by_time, self._square, self._time_square = np.zeros(3), np.zeros(3), 0.0
            return
        kept = float(np.exp(-since_s / _MEMORY_S))
        rows = kept * self._rows
        self._rows = rows + 1
        about_s, about, share = time_s - self._mean_s, difference_m_s - self._mean, rows / (rows + 1)
        self._time_square = kept * self._time_square + share * about_s**2
        self._by_time = kept * self._by_time + share * about_s * about
        self._square = kept * self._square + share * np.square(about)
        self._mean_s += about_s / self._rows
        self._mean = self._mean + about / self._rows

    def interrupt(self) -> None:
        """Begin anew with the next row."""
        self._time_s = -np.inf
