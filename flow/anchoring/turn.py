"""What the gyro misses between an anchor and now: its noise, and the bias that its calibration left.

Nine numbers, three each, in camera axes: ``missed``, the turn since the anchor that the gyro did not see; ``lag``, by how
much pictures look turned that are not: a video codec holds back a slow turn and lets it catch up a second later;
``bias``, rad/s, which outlives the anchor. Pictures tell the sum of the first two; they are told apart by how they change,
a Kalman filter over the anchor's life.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.module import Gyro

Array: TypeAlias = NDArray[np.float64]

_SUM = np.hstack([np.eye(3), np.eye(3), np.zeros((3, 3))])
_WANDER = 1e-5  # rad/s in a second, by which a bias wanders at least
_LAG_S = 1.0  # how long a codec's lag lasts


class Turn:
    """The turn left over since one anchor.

    Parameters
    ----------
    gyro
        Noise density and the sigma of its bias.
    time_s
        When the anchor was taken.
    lag_rad
        One-sigma of the lag about each axis.
    before
        The turn of the anchor before, whose knowledge of the bias is taken over.
    """

    def __init__(self, gyro: Gyro, time_s: float, lag_rad: float, before: Turn | None = None) -> None:
        self._noise = float(np.mean(np.square(gyro.noise_per_axis)))
        self._time_s = time_s
        self._state = np.zeros(9)
        self._covariance = np.zeros((9, 9))
        self._covariance[:3, :3] = 1e-14 * np.eye(3)
        self._covariance[3:6, 3:6] = 2 * lag_rad**2 * np.eye(3)  # the anchor's and the later picture's
        self._covariance[6:, 6:] = np.diag(np.square(gyro.sigma.bias_rad_s)) + 1e-14 * np.eye(3)
        if before is not None:
            self.take_over_bias(before)

    @property
    def seen_rad(self) -> Array:
        """Turn (3,) by which a picture differs from what the gyro says."""
        return np.asarray(self._state[:3] + self._state[3:6])

    @property
    def missed_rad(self) -> Array:
        """Turn (3,) that the gyro has missed."""
        return np.asarray(self._state[:3])

    @property
    def missed_rad2(self) -> Array:
        """Covariance (3, 3) of :attr:`missed_rad`."""
        return np.asarray(self._covariance[:3, :3])

    @property
    def seen_rad2(self) -> Array:
        """Covariance (3, 3) of :attr:`seen_rad`."""
        return np.asarray(_SUM @ self._covariance @ _SUM.T)

    def take_over_bias(self, other: Turn) -> None:
        """Go on with what another anchor has taught about the bias."""
        self._state[6:] = other._state[6:]
        self._covariance[6:, :6] = self._covariance[:6, 6:] = 0
        self._covariance[6:, 6:] = other._covariance[6:, 6:]

    def advance(self, time_s: float, R_anchor_now: Array, lag_rad: float) -> None:
        """Let time pass: noise and bias add to the turn, the lag changes; ``R_anchor_now`` turns into the anchor's axes."""
        dt = time_s - self._time_s
        self._time_s = time_s
        step = np.eye(9)
        step[:3, 6:] = R_anchor_now * dt
        stays = float(np.exp(-dt / _LAG_S))
        step[3:6, 3:6] *= stays
        self._state = step @ self._state
        self._covariance = step @ self._covariance @ step.T
        self._covariance[:3, :3] += self._noise * dt * np.eye(3)
        self._covariance[3:6, 3:6] += (1 - stays**2) * 2 * lag_rad**2 * np.eye(3)
        self._covariance[6:, 6:] += _WANDER**2 * dt * np.eye(3)

    def absorb(self, seen_rad: Array, seen_rad2: Array) -> None:
        """Take over what pictures say: the turn seen (3,), and its covariance with what was known before taken in."""
        before = self.seen_rad2
        gain = self._covariance @ _SUM.T @ np.linalg.inv(before)
        self._state = self._state + gain @ (seen_rad - self.seen_rad)
        self._covariance = self._covariance - gain @ (before - seen_rad2) @ gain.T
