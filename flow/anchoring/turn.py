"""What the gyro misses between an anchor and now: its noise, and the bias that its calibration left; and the slope.

Fifteen numbers, in camera axes: ``missed`` (3), the turn since the anchor that the gyro did not see; ``lag`` (3), by how
much pictures look turned that are not: a video codec holds back a slow turn and lets it catch up a second later; ``own``
(3), the same of the anchor's picture, which no later picture averages away; ``bias`` (3), rad/s, which outlives the
anchor; ``slope`` (2), by how much the ground is askew against the tilt that the anchor was taken with, along the two
directions of :class:`flow.anchoring.view.AnchorView`; ``heading``, what the headings of the anchors before have missed,
for the same bias is in all of them. Pictures tell the sum of the first three, and the slope; they are told apart by how
they change, a Kalman filter over the anchor's life.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.module import Gyro

Array: TypeAlias = NDArray[np.float64]

_MISSED, _LAG, _OWN, _BIAS, _SLOPE, _HEADING = slice(0, 3), slice(3, 6), slice(6, 9), slice(9, 12), slice(12, 14), 14
_NUMBERS = 15
_SEEN = np.zeros((5, _NUMBERS))
_SEEN[:3, _MISSED] = _SEEN[:3, _LAG] = _SEEN[:3, _OWN] = np.eye(3)
_SEEN[3:, _SLOPE] = np.eye(2)
_WANDER = 1e-5  # rad/s in a second, by which a bias wanders at least
LAG_S = 1.0
"""How long a codec's lag lasts."""


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
    slope_rad
        One-sigma of the slope along each direction.
    before
        The turn of the anchor before, whose knowledge of bias and heading is taken over, and down (3,) in its axes.
    """

    def __init__(
        self,
        gyro: Gyro,
        time_s: float,
        lag_rad: float,
        slope_rad: float,
        before: tuple[Turn, Array] | None = None,
    ) -> None:
        self._noise = float(np.mean(np.square(gyro.noise_per_axis)))
        self._time_s = time_s
        self._state = np.zeros(_NUMBERS)
        self._covariance = np.zeros((_NUMBERS, _NUMBERS))
        self._covariance[_MISSED, _MISSED] = 1e-14 * np.eye(3)
        self._covariance[_LAG, _LAG] = self._covariance[_OWN, _OWN] = lag_rad**2 * np.eye(3)
        self._covariance[_BIAS, _BIAS] = np.diag(np.square(gyro.sigma.bias_rad_s)) + 1e-14 * np.eye(3)
        self._covariance[_SLOPE, _SLOPE] = slope_rad**2 * np.eye(2)
        if before is not None:
            turn, down = before
            self.take_over_bias(turn)
            kept = np.array([*range(_BIAS.start, _BIAS.stop), _HEADING])
            self._covariance[np.ix_(kept, kept)] = turn._lasting(down) @ turn._covariance @ turn._lasting(down).T

    @property
    def seen_rad(self) -> Array:
        """Turn (3,) by which a picture differs from what the gyro says, and slope (2,): what pictures tell."""
        return np.asarray(_SEEN @ self._state)

    def missed_rad(self, down: Array) -> Array:
        """Turn (3,) that the gyro has missed, with what came out meanwhile of the headings of the anchors before."""
        return np.asarray(self._state[_MISSED] + down * self._state[_HEADING])

    def heading_rad2(self, down: Array) -> float:
        """Variance of the heading since the start."""
        by = self._lasting(down)[3]
        return float(by @ self._covariance @ by)

    @property
    def missed_rad2(self) -> Array:
        """Covariance (3, 3) of :attr:`missed_rad`."""
        return np.asarray(self._covariance[_MISSED, _MISSED])

    @property
    def seen_rad2(self) -> Array:
        """Covariance (5, 5) of :attr:`seen_rad`."""
        return np.asarray(_SEEN @ self._covariance @ _SEEN.T)

    def take_over_bias(self, other: Turn) -> None:
        """Go on with what another anchor has taught about the bias."""
        self._state[_BIAS] = other._state[_BIAS]
        self._covariance[_BIAS] = self._covariance[:, _BIAS] = 0
        self._covariance[_BIAS, _BIAS] = other._covariance[_BIAS, _BIAS]

    def advance(self, time_s: float, R_anchor_now: Array, lag_rad: float) -> None:
        """Let time pass: noise and bias add to the turn, the lag changes; ``R_anchor_now`` turns into the anchor's axes."""
        dt = time_s - self._time_s
        self._time_s = time_s
        step = np.eye(_NUMBERS)
        step[_MISSED, _BIAS] = R_anchor_now * dt
        stays = float(np.exp(-dt / LAG_S))
        step[_LAG, _LAG] *= stays
        self._state = step @ self._state
        self._covariance = step @ self._covariance @ step.T
        self._covariance[_MISSED, _MISSED] += self._noise * dt * np.eye(3)
        self._covariance[_LAG, _LAG] += (1 - stays**2) * lag_rad**2 * np.eye(3)
        self._covariance[_BIAS, _BIAS] += _WANDER**2 * dt * np.eye(3)

    def absorb(self, seen_rad: Array, seen_rad2: Array) -> None:
        """Take over what pictures say: turn and slope seen (5,), and their covariance with what was known before taken in."""
        before = self.seen_rad2
        gain = self._covariance @ _SEEN.T @ np.linalg.inv(before)
        self._state = self._state + gain @ (seen_rad - self.seen_rad)
        self._covariance = self._covariance - gain @ (before - seen_rad2) @ gain.T

    @staticmethod
    def _lasting(down: Array) -> Array:
        """Pick what outlives the anchor of the state: bias and heading, (4, 15)."""
        rows = np.zeros((4, _NUMBERS))
        rows[:3, _BIAS] = np.eye(3)
        rows[3, _MISSED], rows[3, _HEADING] = down, 1.0
        return rows
