"""What the gyro misses between an anchor and now: its noise, and the bias that its calibration left; and the slope.

Twelve numbers, in camera axes: ``missed`` (3), the turn since the anchor that the gyro did not see; ``own`` (3), by how
much the anchor's picture looks turned that is not, which no later picture averages away; ``bias`` (3), rad/s, which
outlives the anchor; ``slope`` (2), by how much the ground is askew against the tilt that the anchor was taken with, along
the two directions of :class:`flow.anchoring.view.AnchorView`; ``heading``, what the headings of the anchors before have
missed, for the same bias is in all of them. Pictures tell the sum of the first two, and the slope; they are told apart by
how they change, a Kalman filter over the anchor's life.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.anchoring.path_errors import root
from flow.module import Gyro

Array: TypeAlias = NDArray[np.float64]

_MISSED, _OWN, _BIAS, _SLOPE = slice(0, 3), slice(3, 6), slice(6, 9), slice(9, 11)
_HEADING = 11  # size: index, of a single number
_NUMBERS = 12  # size: numbers, of the state
_TRUE = np.zeros((5, _NUMBERS))
_TRUE[:3, _MISSED], _TRUE[3:, _SLOPE] = np.eye(3), np.eye(2)
_SEEN = _TRUE.copy()
_SEEN[:3, _OWN] = np.eye(3)
_WANDER = 1e-5  # density: rad/s/rts, by which a bias wanders at least


class Turn:
    """The turn left over since one anchor.

    Parameters
    ----------
    gyro
        Noise density and the sigma of its bias.
    time_s
        When the anchor was taken.
    slope_rad
        One-sigma of the slope along each direction.
    before
        The turn of the anchor before, whose knowledge of bias and heading is taken over, and down (3,) in its axes.
    """

    def __init__(
        self,
        gyro: Gyro,
        time_s: float,
        slope_rad: float,
        before: tuple[Turn, Array] | None = None,
    ) -> None:
        self._noise = float(np.mean(np.square(gyro.noise_per_axis)))
        self._time_s = time_s
        self._state = np.zeros(_NUMBERS)
        self._covariance = np.zeros((_NUMBERS, _NUMBERS))
        self._covariance[_MISSED, _MISSED] = 1e-14 * np.eye(3)
        self._covariance[_BIAS, _BIAS] = np.diag(np.square(gyro.sigma.bias_rad_s)) + 1e-14 * np.eye(3)
        self._covariance[_SLOPE, _SLOPE] = slope_rad**2 * np.eye(2)
        if before is not None:
            turn, down = before
            self.take_over_bias(turn)
            kept = np.array([*range(_BIAS.start, _BIAS.stop), _HEADING])
            self._covariance[np.ix_(kept, kept)] = turn._lasting(down) @ turn._covariance @ turn._lasting(down).T

    @property
    def true_rad(self) -> Array:
        """Turn (3,) that the gyro has missed, and slope (2,)."""
        return np.asarray(_TRUE @ self._state)

    @property
    def true_rad2(self) -> Array:
        """Covariance (5, 5) of :attr:`true_rad`."""
        return np.asarray(_TRUE @ self._covariance @ _TRUE.T)

    @property
    def by_slope_rad(self) -> Array:
        """Columns (5, 2) of :attr:`true_rad` by one sigma of the slope: turn and slope are not independent of each other."""
        slope_rad2 = self._covariance[_SLOPE, _SLOPE]
        return np.asarray(_TRUE @ self._covariance[:, _SLOPE] @ np.linalg.inv(slope_rad2) @ root(slope_rad2))

    @property
    def seen_rad(self) -> Array:
        """Turn (3,) and slope (2,) as pictures show them."""
        return np.asarray(_SEEN @ self._state)

    @property
    def seen_rad2(self) -> Array:
        """Covariance (5, 5) of :attr:`seen_rad`."""
        return np.asarray(_SEEN @ self._covariance @ _SEEN.T)

    def missed_rad(self, down: Array) -> Array:
        """Turn (3,) that the gyro has missed, with what came out meanwhile of the headings of the anchors before."""
        return np.asarray(self._state[_MISSED] + down * self._state[_HEADING])

    def heading_rad2(self, down: Array) -> float:
        """Variance of the heading since the start."""
        by = self._lasting(down)[3]
        return float(by @ self._covariance @ by)

    def doubt_anchor(self, own_rad2: Array) -> None:
        """Say what error (3, 3) the anchor's own picture adds to every turn seen."""
        self._covariance[_OWN, _OWN] = own_rad2

    def take_over_bias(self, other: Turn) -> None:
        """Go on with what another anchor has taught about the bias."""
        self._state[_BIAS] = other._state[_BIAS]
        self._covariance[_BIAS] = self._covariance[:, _BIAS] = 0
        self._covariance[_BIAS, _BIAS] = other._covariance[_BIAS, _BIAS]

    def advance(self, time_s: float, R_anchor_now: Array) -> None:
        """Let time pass: noise and bias add to the turn; ``R_anchor_now`` turns into the anchor's axes."""
        dt = time_s - self._time_s
        self._time_s = time_s
        step = np.eye(_NUMBERS)
        step[_MISSED, _BIAS] = R_anchor_now * dt
        self._state = step @ self._state
        self._covariance = step @ self._covariance @ step.T
        self._covariance[_MISSED, _MISSED] += self._noise * dt * np.eye(3)
        self._covariance[_BIAS, _BIAS] += _WANDER**2 * dt * np.eye(3)

    def absorb(self, information: Array, pull: Array) -> None:
        """Take in what a picture says of turn and slope (5,): ``information @ seen = pull``, of which they need not tell all."""
        to_state = self._covariance @ _SEEN.T
        gain = to_state @ np.linalg.inv(np.eye(5) + information @ self.seen_rad2)
        self._state = self._state + gain @ (pull - information @ self.seen_rad)
        covariance = self._covariance - gain @ information @ to_state.T
        self._covariance = 0.5 * (covariance + covariance.T)

    @staticmethod
    def _lasting(down: Array) -> Array:
        """Pick what outlives the anchor of the state: bias and heading, (4, 12)."""
        rows = np.zeros((4, _NUMBERS))
        rows[:3, _BIAS] = np.eye(3)
        rows[3, _MISSED], rows[3, _HEADING] = down, 1.0
        return rows
