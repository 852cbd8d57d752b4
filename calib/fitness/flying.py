"""How it was flown: what turns an error of a module's figure into an error of speed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from calib.fitness.posed import Posed
from calib.fitness.scales import Flown
from flow.module import Camera, Module
from flow.series import GyroSamples

Array: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Flying:
    """RMS over the flight: level and vertical speed, turning rate (3,) about body x, y, z, its change across the view.

    ``height_known`` says whether the height is measured; else 1 m stands in for it.
    """

    height_m: float
    height_known: bool
    speed_m_s: float
    climb_m_s: float
    rate_rad_s: Array
    angular_acceleration_rad_s2: float

    @property
    def rocking_rad_s(self) -> float:
        """RMS rate about the two axes across the view."""
        return float(np.hypot(*self.rate_rad_s[:2]))

    @property
    def motion_m_s(self) -> float:
        """Speed that the picture's whole motion would be."""
        return float(np.hypot(self.speed_m_s, self.rocking_rad_s * self.height_m))

    def by_mounting(self, turn_rad: Array) -> float:
        """Speed error by a small turn (3,) of the mounting about body x, y, z, m/s.

        A rate is taken out about an axis that is off by the turn, and the heading of the speed is off by its z.
        """
        across = np.array(
            [
                [turn_rad[1] * self.rate_rad_s[2], turn_rad[2] * self.rate_rad_s[1]],
                [turn_rad[2] * self.rate_rad_s[0], turn_rad[0] * self.rate_rad_s[2]],
            ]
        )
        return float(np.hypot(np.linalg.norm(across) * self.height_m, turn_rad[2] * self.speed_m_s))

    def by_clock(self, offset_s: float) -> float:
        """Speed error by a clock offset: the rate of the wrong moment is taken out."""
        return abs(offset_s) * self.angular_acceleration_rad_s2 * self.height_m

    def by_bias(self, bias_rad_s: Array) -> float:
        """Speed error by a wrong bias (3,)."""
        return float(np.hypot(*bias_rad_s[:2])) * self.height_m

    def by_scale(self, relative: float) -> float:
        """Speed error by a wrong range scale, level and vertical."""
        return abs(relative) * float(np.hypot(self.speed_m_s, self.climb_m_s))

    def by_focal(self, relative: float) -> float:
        """Speed error by a wrong focal length: of all that the picture shows, rocking included."""
        return abs(relative) * self.motion_m_s

    def by_gyro_scale(self, relative: float) -> float:
        """Speed error by a wrong gyro scale."""
        return abs(relative) * self.rocking_rad_s * self.height_m

    def by_readout(self, error_s: float, camera: Camera) -> float:
        """Speed error by a wrong readout time.

        A point that moves down by some rows is exposed later by their share of the readout: the interval is off
        by ``readout f w / H`` at the angular speed w.
        """
        angular = self.motion_m_s / self.height_m
        return abs(error_s) * camera.fy_px / camera.height_px * angular * self.motion_m_s


def flying_of(parts: Sequence[Posed], flights: Sequence[Flown], gyro: Sequence[GyroSamples], module: Module) -> Flying:
    """Sum up the stretches; what is not known there comes from the gyro alone."""
    heights = [f.camera_m[np.isfinite(f.camera_m)] for f in flights]
    height = np.concatenate(heights) if heights else np.empty(0)
    rate = np.concatenate([g.rate_rad_s for g in gyro]) - module.gyro.bias_rad_s if gyro else np.zeros((1, 3))
    squares = [np.empty((0, 2))]
    for flight in flights:
        vertical = np.square(flight.velocity_m_s @ flight.down)
        each = np.column_stack([np.sum(flight.velocity_m_s**2, axis=1) - vertical, vertical])
        squares.append(each[np.isfinite(each).all(axis=1)])
    square = np.concatenate(squares)
    level_m_s, climb_m_s = map(float, np.sqrt(square.mean(axis=0))) if len(square) else (0.0, 0.0)
    return Flying(
        height_m=float(np.median(height)) if len(height) else 1.0,
        height_known=len(height) > 0,
        speed_m_s=level_m_s,
        climb_m_s=climb_m_s,
        rate_rad_s=np.sqrt(np.mean(rate**2, axis=0)),
        angular_acceleration_rad_s2=_acceleration(parts),
    )


def _acceleration(parts: Sequence[Posed]) -> float:
    if not parts:
        return 0.0
    squares = []
    for part in parts:
        span_s = (part.pairs.second_s - part.pairs.first_s)[:, None]
        change = np.gradient((part.gyro_turn_rad / span_s)[:, :2], part.pairs.middle_s, axis=0)
        squares.append(np.sum(change**2, axis=1))
    return float(np.sqrt(np.mean(np.concatenate(squares))))
