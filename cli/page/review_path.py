"""The path over ground: speed integrated along the gyro's heading, and how its uncertainty grows."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.module import Gyro
from flow.row import LevelVelocity, SpeedRow

Array: TypeAlias = NDArray[np.float64]

CAUSES = ("image", "height", "focal_length", "gyro_noise", "gyro_bias", "clock", "mounting", "tilt", "lever_arm")
"""The causes of error that a row may name, in the order in which they are kept."""

_FRESH = np.array([c in ("image", "gyro_noise", "clock") for c in CAUSES])  # new in every row
_SCALE = np.array([c in ("height", "focal_length") for c in CAUSES])  # in proportion to the velocity
_GUST_M_S = 0.5  # how far off the last speed may be while nothing is known, at least


class Path:
    """Position since the first frame: forward and right as they were there.

    The heading is the gyro's, integrated about body z. Errors new in every row add up as independent ones do.
    A wrong height or focal length stretches the path: such an error vanishes on the way back. Errors fixed to the
    body (mounting, tilt, gyro bias, lever arm) turn along with it. While there is no velocity the last one is
    carried on, and the sigma grows by that speed, or by 0.5 m/s if it was slower.
    """

    def __init__(self, gyro: Gyro) -> None:
        self.position_m = np.zeros(2)
        self._yaw_rad = 0.0
        self._yaw_bias = gyro.sigma.bias_rad_s[2]
        self._yaw_noise = float(gyro.noise_per_axis[2])
        self._elapsed_s = 0.0
        self._velocity = np.zeros(2)
        self._fresh = np.zeros((2, 2))
        self._stretch = np.zeros((len(CAUSES), 2))
        self._fixed = np.zeros((len(CAUSES), 2, 2))
        self._unknown_m = 0.0

    def advance(self, row: SpeedRow, effects_m_s: Array, yaw_turn_rad: float) -> None:
        """Take a row; ``effects_m_s`` (causes, 2) forward and right; a turn that is not known counts as none."""
        turn = yaw_turn_rad if np.isfinite(yaw_turn_rad) else 0.0
        middle = self._yaw_rad + 0.5 * turn
        self._yaw_rad += turn
        self._elapsed_s += row.interval_s
        c, s = np.cos(middle), np.sin(middle)
        heading = np.array([[c, -s], [s, c]])  # level axes to those of the start; yaw turns forward to the right
        if isinstance(row.velocity, LevelVelocity):
            self._velocity = np.array([row.velocity.forward_m_s, row.velocity.right_m_s])
            self._grow(heading, effects_m_s * row.interval_s)
        else:
            speed = float(np.hypot(*self._velocity))
            self._unknown_m += max(speed, _GUST_M_S) * row.interval_s
        self.position_m = self.position_m + heading @ self._velocity * row.interval_s

    def spread(self) -> tuple[float, float, float]:
        """One-sigma along the start's forward and right, m, and their correlation."""
        across = np.array([-self.position_m[1], self.position_m[0]])
        yaw_variance = (self._yaw_bias * self._elapsed_s) ** 2 + self._yaw_noise**2 * self._elapsed_s
        total = self._fresh + np.eye(2) * self._unknown_m**2 + yaw_variance * np.outer(across, across)
        total = total + self._stretch.T @ self._stretch
        total = total + np.einsum("cik,cjk->ij", self._fixed, self._fixed)
        sigma = np.sqrt(np.diag(total))
        product = float(sigma[0] * sigma[1])
        return float(sigma[0]), float(sigma[1]), float(total[0, 1] / product) if product > 0 else 0.0

    def _grow(self, heading: Array, moved_m: Array) -> None:
        fresh = heading * np.sqrt(np.square(moved_m[_FRESH]).sum(axis=0))
        self._fresh += fresh @ fresh.T
        speed = float(np.hypot(*self._velocity))
        if speed > 0:
            along = heading @ self._velocity / speed
            self._stretch[_SCALE] += np.hypot(*moved_m[_SCALE].T)[:, None] * along
        fixed = ~(_FRESH | _SCALE)
        self._fixed[fixed] += heading * moved_m[fixed][:, None, :]
