"""Specific force integrated over time, in axes that do not rotate: how the velocity changed, gravity left in."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.inertial_sensors import HOLE_S
from flow.rotation import RotationLog
from flow.series import GyroSamples

Array: TypeAlias = NDArray[np.float64]

_KEPT_S = 1.0
_LATE_S = 0.02  # after the last sample; longer is not bridged
_SIMPSON = np.array([1.0, 4.0, 1.0]) / 6  # source: weights, Simpson's rule
_NOISE_SAMPLES = 500  # size: samples, of the running mean that the noise is learnt from


class ForceSum:
    """Sums up the accelerometer's samples of the last second.

    Parameters
    ----------
    rotations
        The rotation log that the samples belong to.
    """

    def __init__(self, rotations: RotationLog) -> None:
        self._rotations = rotations
        self._time_s, self._sum, self._last = np.empty(0), np.empty((0, 3)), np.empty((0, 3))
        self._broken_s = -np.inf
        self._variance = 0.0

    @property
    def noise_m_s_rts(self) -> float:
        """Random walk of the velocity by the noise that the samples show, vibration included, m/s in a second."""
        return float(np.sqrt(self._variance))

    @property
    def begun_s(self) -> float:
        """Time of the oldest sample that is kept; infinity before the first."""
        return float(self._time_s[0]) if len(self._time_s) else np.inf

    def add(self, samples: GyroSamples) -> None:
        """Add samples in time order; the rotation log must have been given them already."""
        if samples.accel_m_s2 is None:
            return
        good = np.isfinite(samples.accel_m_s2).all(axis=1)
        time = samples.time_s[good]
        if not len(time):
            return
        force = (self._rotations.matrices(time) @ samples.accel_m_s2[good][:, :, None])[:, :, 0]
        whole_s, whole = np.concatenate([self._time_s[-1:], time]), np.concatenate([self._last, force])
        steps = np.diff(whole_s)
        holes = np.flatnonzero(steps > max(HOLE_S, self._rotations.longest_hole_s))
        if len(holes):
            self._broken_s = float(whole_s[holes[-1] + 1])
        self._learn_noise(np.square(np.diff(whole, axis=0)).mean(axis=1), steps)
        gained = np.cumsum(0.5 * (whole[1:] + whole[:-1]) * steps[:, None], axis=0)
        if not len(self._time_s):
            self._time_s, self._sum = time[:1], np.zeros((1, 3))
        kept = self._time_s > time[-1] - _KEPT_S
        kept[-1] = True
        self._sum = np.concatenate([self._sum[kept], self._sum[-1] + gained])
        self._time_s = np.concatenate([self._time_s[kept], whole_s[1:]])
        self._last = whole[-1:]

    def _learn_noise(self, squares: Array, steps: Array) -> None:
        """Learn from the squares (N,) of changes from sample to sample, however many come at once."""
        good = (steps > 0) & (steps <= max(HOLE_S, self._rotations.longest_hole_s))
        walks = 0.5 * squares[good] * steps[good]
        kept = np.exp(-np.arange(len(walks), -1, -1) / _NOISE_SAMPLES)
        self._variance = self._variance * kept[0] + float(walks @ kept[1:]) * (1 - np.exp(-1 / _NOISE_SAMPLES))

    def steady(self) -> Array:
        """Mean force (3,) of the last second or less, m/s^2."""
        return np.asarray((self._sum[-1] - self._sum[0]) / (self._time_s[-1] - self._time_s[0]))

    def broken_since(self, time_s: float) -> bool:
        """Whether samples were missing for too long after a time."""
        return self._broken_s > time_s

    def at(self, times_s: Array) -> Array | None:
        """Give the integral at times in order (N, 3); None where samples do not reach, or were missing in between."""
        if len(self._time_s) < 2 or self.broken_since(times_s[0]):
            return None
        late_s = max(self._time_s[-1] - self._time_s[-2], _LATE_S)
        if times_s[0] < self._time_s[0] or times_s[-1] > self._time_s[-1] + late_s:
            return None
        return np.column_stack([np.interp(times_s, self._time_s, column) for column in self._sum.T])

    def mean(self, middle_s: float, interval_s: float) -> Array | None:
        """Mean of the integral over an interval; None where it does not reach."""
        means = self.means(middle_s + 0.5 * interval_s * np.array([-1.0, 1.0]))
        return None if means is None else np.asarray(means[0])

    def means(self, ends_s: Array) -> Array | None:
        """Mean of the integral over each interval between times in order (N + 1,): (N, 3), by Simpson's rule."""
        times_s = np.empty(2 * len(ends_s) - 1)
        times_s[::2], times_s[1::2] = ends_s, 0.5 * (ends_s[1:] + ends_s[:-1])
        sums = self.at(times_s)
        if sums is None:
            return None
        begin, middle, end = sums[:-2:2], sums[1::2], sums[2::2]
        return np.asarray(_SIMPSON[0] * begin + _SIMPSON[1] * middle + _SIMPSON[2] * end)
