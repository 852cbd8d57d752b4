"""Rotation of the body between any two times of a gyro log, read along as time advances."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.series import GyroSamples

Array: TypeAlias = NDArray[np.float64]

_LONGEST_STEP_S = 0.1  # nothing is integrated over a longer hole in the log


class GyroTurns:
    """Turn of the body between two times, by trapezoids of the rates.

    Parameters
    ----------
    chunks
        The gyro log, bias not subtracted.
    bias_rad_s
        (3,), subtracted.
    watch
        Called with the times (N,) and rates (N, 3) of each chunk, bias subtracted.
    """

    def __init__(
        self,
        chunks: Iterator[GyroSamples],
        bias_rad_s: tuple[float, float, float],
        watch: Callable[[Array, Array], None],
    ) -> None:
        self._chunks = chunks
        self._bias = np.array(bias_rad_s)
        self._watch = watch
        self._time, self._rate = np.empty(0), np.empty((0, 3))
        self._turn, self._holes = self._rate, self._time
        self._ended = False

    def between(self, begin_s: Array, end_s: Array) -> Array:
        """Turn about the body axes from each of ``begin_s`` (N,) to ``end_s`` (N,): (N, 3) rad.

        NaN where the log has a hole or does not reach. Ask in order of time.
        """
        self._forget(float(begin_s[0]))
        while not self._ended and (not len(self._time) or self._time[-1] <= end_s[-1]):
            self._read()
        if len(self._time) < 2:
            return np.full((len(begin_s), 3), np.nan)
        first, before = self._turned(begin_s)
        last, after = self._turned(end_s)
        unknown = (begin_s < self._time[0]) | (end_s > self._time[-1]) | (self._holes[last + 1] > self._holes[first])
        return np.where(unknown[:, None], np.nan, after - before)

    def finish(self) -> None:
        """Read the rest of the log."""
        while not self._ended:
            self._read()

    def _turned(self, time_s: Array) -> tuple[NDArray[np.intp], Array]:
        """Find the sample before each time, and the turn since the first sample, the rate held in between."""
        k = np.clip(self._time.searchsorted(time_s, "right") - 1, 0, len(self._time) - 2)
        return k, self._turn[k] + self._rate[k] * (time_s - self._time[k])[:, None]

    def _read(self) -> None:
        chunk = next(self._chunks, None)
        if chunk is None:
            self._ended = True
            return
        rate = chunk.rate_rad_s - self._bias
        self._watch(chunk.time_s, rate)
        self._hold(np.concatenate([self._time, chunk.time_s]), np.concatenate([self._rate, rate]))

    def _forget(self, before_s: float) -> None:
        keep = max(int(self._time.searchsorted(before_s)) - 1, 0)
        if keep > len(self._time) // 2:
            self._hold(self._time[keep:], self._rate[keep:])

    def _hold(self, time_s: Array, rate: Array) -> None:
        self._time, self._rate = time_s, rate
        step = np.diff(time_s)
        moved = step[:, None] * (rate[1:] + rate[:-1]) / 2
        self._turn = np.concatenate([np.zeros((1, 3)), np.cumsum(moved, axis=0)])
        self._holes = np.concatenate([[0.0], np.cumsum(step > _LONGEST_STEP_S)])
