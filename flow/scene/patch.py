"""Flat things on the ground: something that moves there, or a table top."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flow.scene.ground import Ground


@dataclass(frozen=True, slots=True, kw_only=True)
class Patch:
    """A level rectangle with a texture of its own.

    ``centre_m`` (north, east) holds at motion time 0, ``size_m`` is (north, east), ``velocity_m_s`` likewise;
    ``height_m`` is above the ground. Its sides are not drawn: keep it low, or seen from well above.
    """

    centre_m: tuple[float, float]
    size_m: tuple[float, float]
    ground: Ground
    velocity_m_s: tuple[float, float] = (0.0, 0.0)
    height_m: float = 0.0

    def centre_at(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Centre (N, 2) at N times of the motion, m."""
        return np.asarray(self.centre_m + time_s[:, None] * np.array(self.velocity_m_s), np.float64)

    def covers(self, place_m: NDArray[np.float64], time_s: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Whether it lies over N places (N, 2), north and east, at N times of the motion."""
        apart = np.abs(place_m - self.centre_at(time_s))
        return np.asarray((apart <= np.array(self.size_m) / 2).all(axis=1))
