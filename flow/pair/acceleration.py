"""The body's acceleration during a pair of frames.

Rows that are exposed one after the other see a speed that changes at different values of it: left out, 1 m/s^2 looks
like a climb of 6 mm/s at 14 ms of readout. The accelerometer tells it, less what it shows on average beside the change
of speed that the pictures show: gravity, and its own zero offset. Without one, or where one is off the body's origin and
feels every turn, the change of speed from pair to pair tells it, two pairs late. Both are held against what the speed
really changed by over a fifth of a second, and the better one speaks.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.force_sum import ForceSum

Array: TypeAlias = NDArray[np.float64]

_BLIND_S = 0.5  # without speed for so long nothing is compared
_OFFSET_S, _LEAST_OFFSET_S = 3.0, 0.1  # how long the average reaches back, and from when on there is one
_WINDOW_S = 0.2  # over which changes of speed are compared: rows of 4 mm/s leave 0.03 m/s^2
_MEMORY_S = 2.0
_UNKNOWN_M_S2, _LEAST_M_S2 = 0.5, 0.02  # a lively flight; noise of low-cost accelerometers in a 60th of a second
_UNKNOWN_ROWS = 1.0  # that belief counts as so many rows


@dataclass(frozen=True, slots=True, kw_only=True)
class Acceleration:
    """``vector_m_s2`` (3,) of the body origin in axes that do not rotate, and its one-sigma along each."""

    vector_m_s2: Array
    sigma_m_s2: float


class AccelerationFilter:
    """Tells the acceleration of the next pair.

    Parameters
    ----------
    force
        The accelerometer's samples, summed up; in its axes that do not rotate is everything here.
    """

    def __init__(self, force: ForceSum) -> None:
        self._force = force
        self._offset, self._offset_s = np.zeros(3), 0.0
        # Of each row: time, speed, and sums of force and of guesses.
        self._rows: deque[tuple[float, Array, Array | None, Array]] = deque()
        self._felt, self._guessed = _Misses(), _Misses()
        self._guess: Array | None = None

    def between(self, first_s: float, second_s: float, guess_m_s2: Array | None) -> Acceleration:
        """Give the mean acceleration between two frames; ``guess_m_s2`` (3,) is what the speeds before let expect."""
        self._guess = guess_m_s2
        if self._rows and self._force.broken_since(self._rows[-1][0]):
            self._rows.clear()  # how the craft turned meanwhile is not known, nor where its gravity is now
            self._offset_s = 0.0
        sums = self._force.at(np.array([first_s, second_s]))
        better = guess_m_s2 is None or self._felt.square < self._guessed.square
        if sums is not None and self._offset_s >= _LEAST_OFFSET_S and better:
            felt = (sums[1] - sums[0]) / (second_s - first_s) - self._offset
            return Acceleration(vector_m_s2=felt, sigma_m_s2=self._felt.sigma)
        if guess_m_s2 is None:
            return Acceleration(vector_m_s2=np.zeros(3), sigma_m_s2=_UNKNOWN_M_S2)
        return Acceleration(vector_m_s2=guess_m_s2, sigma_m_s2=self._guessed.sigma)

    def observe(self, time_s: float, velocity_m_s: Array) -> None:
        """Hear the speed (3,) of the pair that was asked about last, at its middle."""
        if self._rows and time_s - self._rows[-1][0] > _BLIND_S:
            self._rows.clear()
        sums = self._force.at(np.array([time_s]))
        force = None if sums is None else sums[0]
        if not self._rows or self._guess is None:
            self._rows.clear()
            self._rows.append((time_s, velocity_m_s, force, np.zeros(3)))
            return
        last_s, last_velocity, last_force, guessed = self._rows[-1]
        step_s = time_s - last_s
        if force is not None and last_force is not None:
            shown = (force - last_force - velocity_m_s + last_velocity) / step_s
            self._offset_s += step_s
            self._offset = self._offset + step_s / min(self._offset_s, max(_OFFSET_S, step_s)) * (shown - self._offset)
        self._rows.append((time_s, velocity_m_s, force, guessed + step_s * self._guess))
        self._compare(step_s)

    def _compare(self, step_s: float) -> None:
        time_s, velocity, force, guessed = self._rows[-1]
        while time_s - self._rows[0][0] > 1.5 * _WINDOW_S:
            self._rows.popleft()
        first_s, first_velocity, first_force, first_guessed = self._rows[0]
        window_s = time_s - first_s
        if window_s < _WINDOW_S:
            return
        change = (velocity - first_velocity) / window_s
        self._guessed.add((guessed - first_guessed) / window_s - change, step_s)
        if force is not None and first_force is not None:
            self._felt.add((force - first_force) / window_s - self._offset - change, step_s)


class _Misses:
    """Mean square of misses, m^2/s^4 along an axis, of some seconds."""

    def __init__(self) -> None:
        self.square = _UNKNOWN_M_S2**2
        self._rows = _UNKNOWN_ROWS

    def add(self, miss: Array, step_s: float) -> None:
        """Take in a miss (3,)."""
        self._rows += 1
        self.square += max(1 / self._rows, step_s / _MEMORY_S) * (float(miss @ miss) / 3 - self.square)

    @property
    def sigma(self) -> float:
        """One-sigma."""
        return float(np.hypot(np.sqrt(self.square), _LEAST_M_S2))
