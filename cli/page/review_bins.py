"""Long streams in bounded memory: the smallest and largest value of each few samples, never a sample dropped."""

from __future__ import annotations

import base64
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

Array: TypeAlias = NDArray[np.float64]

NOTHING = 65535
"""What stands for "no value" among quantised numbers."""
_STEPS = 65534
_TICKS_A_SECOND = 10_000


class Bins:
    """Minimum and maximum of consecutive samples, at most ``most`` bins of them.

    When the bins are full, neighbours are joined and each bin holds twice as many samples.

    Parameters
    ----------
    channels
        Values in each sample.
    most
        The most bins kept.
    per_bin
        Samples in each bin to begin with.
    """

    def __init__(self, channels: int, most: int, *, per_bin: int = 1) -> None:
        self.per_bin = per_bin
        self._most = most - most % 2
        self._time = np.empty((self._most, 2))
        self._low = np.empty((self._most, channels), np.float32)
        self._high = np.empty((self._most, channels), np.float32)
        self._count = 0
        self._waiting = (np.empty(0), np.empty((0, channels)))

    def add(self, time_s: Array, values: Array) -> None:
        """Add samples: ``time_s`` (N,) in order, ``values`` (N, channels), NaN where there is none."""
        time_s = np.concatenate([self._waiting[0], time_s])
        values = np.concatenate([self._waiting[1], values])
        while len(time_s) >= self.per_bin:
            bins = min(len(time_s) // self.per_bin, self._most - self._count)
            whole = bins * self.per_bin
            self._put(time_s[:whole].reshape(bins, -1), values[:whole].reshape(bins, self.per_bin, -1))
            time_s, values = time_s[whole:], values[whole:]
            if self._count == self._most:
                self._join()
        self._waiting = (time_s.copy(), values.copy())

    def finish(self) -> tuple[Array, Array, Array]:
        """Close the last bin; give the bins' middle times (B,), lowest and highest values (B, channels)."""
        time_s, values = self._waiting
        if len(time_s):
            self._put(time_s[None], values[None])
            self._waiting = (time_s[:0], values[:0])
        kept = slice(self._count)
        return self._time[kept].mean(axis=1), self._low[kept].astype(float), self._high[kept].astype(float)

    def _put(self, time_s: Array, values: Array) -> None:
        place = slice(self._count, self._count + len(time_s))
        self._time[place] = time_s[:, [0, -1]]
        self._low[place] = np.fmin.reduce(values, axis=1)
        self._high[place] = np.fmax.reduce(values, axis=1)
        self._count += len(time_s)

    def _join(self) -> None:
        half = self._count // 2
        self._time[:half] = np.column_stack([self._time[0 : self._count : 2, 0], self._time[1 : self._count : 2, 1]])
        self._low[:half] = np.fmin(self._low[0 : self._count : 2], self._low[1 : self._count : 2])
        self._high[:half] = np.fmax(self._high[0 : self._count : 2], self._high[1 : self._count : 2])
        self._count, self.per_bin = half, 2 * self.per_bin


def packed(values: Array) -> dict[str, Any]:
    """Quantise numbers to 16 bits for the page; NaN stays "no value".

    The step is the spread of the values / 65534: 0.03 mm/s for speeds within 1 m/s.
    """
    known = values[np.isfinite(values)]
    low, high = (float(known.min()), float(known.max())) if known.size else (0.0, 0.0)
    step = (high - low) / _STEPS or 1.0
    with np.errstate(invalid="ignore"):
        whole = np.where(np.isfinite(values), np.round((values - low) / step), NOTHING).astype("<u2")
    return {"low": low, "step": step, "data": base64.b64encode(whole.tobytes()).decode()}


def packed_times(time_s: Array, origin_s: float) -> str:
    """Pack times after an origin as 32-bit counts of 0.1 ms."""
    ticks = np.clip(np.round((time_s - origin_s) * _TICKS_A_SECOND), 0, 2**32 - 1).astype("<u4")
    return base64.b64encode(ticks.tobytes()).decode()
