"""Gyro samples to the rotation between any two instants."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from flow.module import Gyro
from flow.series import GyroSamples

Array: TypeAlias = NDArray[np.float64]

GAP_STEPS = 4.0  # a hole longer than this many usual steps is not bridged: motion inside it is a guess
GAP_LEAST_S = 0.012

# size: shares of a stretch, middles of 16 parts: a mean over 15 ms passes vibration up to 500 Hz
_EVENLY = (np.arange(16) + 0.5) / 16 - 0.5


class RotationLog:
    """Orientation of the body against a frame that does not rotate, integrated from gyro samples.

    Between samples the rate is taken as linear in time. Within a step the rotation vector is
    ``(w0 + w1) T / 2 + T^2 / 12 (w0 x w1)``, the Magnus expansion to second order (exact to O(T^5) for linear
    rates; the cross term is the coning correction).

    Parameters
    ----------
    gyro
        The gyro section of a module file: its bias is subtracted.
    keep_s
        How much of the past stays available, s. Memory is bounded by it.
    """

    def __init__(self, gyro: Gyro, *, keep_s: float = 2.0) -> None:
        self._bias = np.array(gyro.bias_rad_s)
        self._keep_s = keep_s
        self._time = np.empty(0)
        self._rate = np.empty((0, 3))
        self._orientation = np.empty((0, 3, 3))  # body at each sample to the frame that does not rotate
        self._step_s = 0.0

    def append(self, samples: GyroSamples) -> None:
        """Add samples in time order; those that do not advance time are an error of the caller."""
        if len(samples.time_s) == 0:
            return
        time = np.concatenate([self._time[-1:], samples.time_s])
        rate = np.concatenate([self._rate[-1:], samples.rate_rad_s - self._bias])
        if len(self._time) == 0:
            self._time, self._rate = time[:1], rate[:1]
            self._orientation = np.eye(3)[None]
        steps = np.diff(time)
        if np.any(steps <= 0):
            raise ValueError("gyro samples must advance in time")
        if len(steps):
            turned = _running_product(_exponential(_turn(rate[:-1], rate[1:], steps[:, None])))
            self._orientation = np.concatenate([self._orientation, self._orientation[-1] @ turned])
            self._time = np.concatenate([self._time, time[1:]])
            self._rate = np.concatenate([self._rate, rate[1:]])
        self._forget()
        self._step_s = float(np.median(np.diff(self._time))) if len(self._time) > 1 else 0.0

    @property
    def latest_s(self) -> float:
        """Time of the newest sample; -inf before the first."""
        return float(self._time[-1]) if len(self._time) else -np.inf

    @property
    def longest_hole_s(self) -> float:
        """A hole between samples that is longer than this is not bridged, s."""
        return max(GAP_STEPS * self._step_s, GAP_LEAST_S)

    def covers(self, start_s: float, end_s: float) -> bool:
        """Whether samples stand closely enough around and inside ``[start_s, end_s]``.

        One usual step is allowed at either end, a hole of four inside.
        """
        if len(self._time) < 2:
            return False
        if start_s < self._time[0] - self._step_s or end_s > self._time[-1] + self._step_s:
            return False
        first = max(int(np.searchsorted(self._time, start_s, "right")) - 1, 0)
        last = int(np.searchsorted(self._time, end_s, "left")) + 1
        inside = np.diff(self._time[first:last])
        return bool(inside.size == 0 or inside.max() <= self.longest_hole_s)

    def rate(self, time_s: float, over_s: float = 0.0) -> Array:
        """Body rate at ``time_s``, or its mean over so long around it, rad/s, (3,)."""
        times = np.array([time_s]) if over_s == 0 else time_s + over_s * _EVENLY
        return np.asarray(self.rates(times).mean(axis=0))

    def rates(self, time_s: Array) -> Array:
        """Body rates at each of ``time_s`` (N,), rad/s, (N, 3)."""
        k, after, _, share = self._locate(time_s)
        return np.asarray(self._rate[k] + (self._rate[after] - self._rate[k]) * share[:, None])

    def matrices(self, time_s: Array) -> Array:
        """Turn body vectors at each of ``time_s`` (N,) into the frame that does not rotate: (N, 3, 3)."""
        k, after, u, share = self._locate(time_s)
        start = self._rate[k]
        end = start + (self._rate[after] - start) * share[:, None]
        return np.asarray(self._orientation[k] @ _exponential(_turn(start, end, u[:, None])))

    def orientation(self, time_s: Array) -> Rotation:
        """As :meth:`matrices`, as SciPy's rotations."""
        return Rotation.from_matrix(self.matrices(time_s))

    def _locate(self, time_s: Array) -> tuple[NDArray[np.intp], NDArray[np.intp], Array, Array]:
        """Find the samples before and after, the time since the one before, and its share of their step."""
        last = len(self._time) - 1
        k = np.clip(np.searchsorted(self._time, time_s, "right") - 1, 0, max(last - 1, 0))
        after = np.minimum(k + 1, last)  # a single sample: its rate holds
        u, step = time_s - self._time[k], self._time[after] - self._time[k]
        return k, after, u, np.divide(u, step, out=np.zeros_like(u), where=step > 0)

    def _forget(self) -> None:
        first = int(np.searchsorted(self._time, self._time[-1] - self._keep_s)) - 1
        if first > len(self._time) // 2:  # copy seldom
            self._time, self._rate = self._time[first:], self._rate[first:]
            self._orientation = self._orientation[first:]


def portions(samples: GyroSamples, longest_s: float) -> Iterator[GyroSamples]:
    """Give samples in portions, each within a time of ``longest_s``."""
    passed = np.floor((samples.time_s - samples.time_s[:1]) / longest_s)
    for rows in np.split(np.arange(len(passed)), np.flatnonzero(np.diff(passed)) + 1):
        if len(rows):
            yield samples.part(slice(int(rows[0]), int(rows[-1]) + 1))


def _turn(start: Array, end: Array, span: Array) -> Array:
    return np.asarray(0.5 * (start + end) * span + cross(start, end) * (span * span / 12))


def cross(a: Array, b: Array) -> Array:
    """Cross products of rows (N, 3); ``np.cross`` takes four times as long on a few hundred."""
    ax, ay, az, bx, by, bz = a[:, 0], a[:, 1], a[:, 2], b[:, 0], b[:, 1], b[:, 2]
    return np.stack([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx], axis=1)


def skew(vectors: Array) -> Array:
    """Matrices (N, 3, 3) that multiply as the cross product with each of ``vectors`` (N, 3)."""
    out = np.zeros((len(vectors), 3, 3))
    out[:, 2, 1] = vectors[:, 0]
    out[:, 0, 2] = vectors[:, 1]
    out[:, 1, 0] = vectors[:, 2]
    return out - out.transpose(0, 2, 1)


def _exponential(turns: Array) -> Array:
    """Rotation matrices of rotation vectors (N, 3), by Rodrigues' formula.

    Written out because it runs five times a frame on each track, where a rotation object's checks cost more than the
    arithmetic; the tests hold it against SciPy's.
    """
    square = np.einsum("ni,ni->n", turns, turns)
    angle = np.sqrt(square)
    first = np.sinc(angle / np.pi)
    second = 0.5 * np.sinc(0.5 * angle / np.pi) ** 2
    out = turns[:, :, None] * turns[:, None, :] * second[:, None, None] + skew(turns * first[:, None])
    out += np.cos(angle)[:, None, None] * np.eye(3)
    return np.asarray(out)


def _running_product(steps: Array) -> Array:
    """R0, R0 R1, R0 R1 R2, ... in log2(N) vectorised rounds."""
    product, reach = steps, 1
    while reach < len(steps):
        product = np.concatenate([product[:reach], product[:-reach] @ product[reach:]])
        reach *= 2
    return product
