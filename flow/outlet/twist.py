"""Rows of a speed log as velocities with covariance in the axes of ROS REP 103."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.speedlog import SpeedLog

Array: TypeAlias = NDArray[np.float64]

TOPIC = "/ground_speed"
FRAME_ID = "level_forward_left_up"
"""Default ``frame_id``: horizontal axes at the body origin, x where the nose points, y left, z up."""

UNKNOWN_VARIANCE_RAD2_S2 = 1e6
"""Variance of each turn rate, which the log does not hold: so wide that a filter gives it no weight."""

R_flu_frd = np.diag([1.0, -1.0, -1.0])
"""Turns (forward, right, down) into (forward, left, up): REP 103 has x forward, y left, z up."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Twist:
    """A velocity over the ground.

    ``stamp_ns`` is the middle of the interval between two frames; ``linear_m_s`` (3,) is forward, left, up;
    ``covariance`` (6, 6) that of linear and angular velocity in the same axes, (m/s)^2 and (rad/s)^2.
    """

    stamp_ns: int
    linear_m_s: Array
    covariance: Array


def twists(log: SpeedLog, zero_ns: int = 0) -> Iterator[Twist]:
    """Give the rows that have a velocity; the others are left out.

    Parameters
    ----------
    log
        The speed log.
    zero_ns
        What the log's time 0 is on the clock that the stamps shall have.

    Notes
    -----
    The log holds one-sigmas along forward, right and down and no correlation between them: the linear block is
    their squares, turned to the new axes. Height, focal length and gyro act on many rows alike, so that errors of
    neighbouring rows are not independent.
    """
    for i in np.flatnonzero(log.usable):
        covariance = np.zeros((6, 6))
        covariance[:3, :3] = R_flu_frd @ np.diag(log.sigma_m_s[i] ** 2) @ R_flu_frd.T
        covariance[[3, 4, 5], [3, 4, 5]] = UNKNOWN_VARIANCE_RAD2_S2
        yield Twist(
            stamp_ns=stamp_ns(log.time_s[i], zero_ns),
            linear_m_s=R_flu_frd @ log.velocity_m_s[i] + 0.0,  # no negative zero
            covariance=covariance,
        )


def stamp_ns(time_s: float, zero_ns: int) -> int:
    """Put a time of the log on the clock whose reading at time 0 is ``zero_ns``, in whole nanoseconds."""
    return zero_ns + round(float(time_s) * 1e9)
