"""Inertial samples that wait until the filter reaches them."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.rotation import GAP_LEAST_S, GAP_STEPS
from flow.series import GyroSamples

Array: TypeAlias = NDArray[np.float64]

SAME_SAMPLE_S = 1e-9  # size: s, of rounding
"""Times that differ by less are those of the same sample."""


class SampleQueue:
    """Rates and specific forces in time order, given out up to any time, linear between samples."""

    def __init__(self) -> None:
        self.time_s: Array = np.empty(0)
        self._rate: Array = np.empty((0, 3))
        self._force: Array = np.empty((0, 3))
        self._step_s = 0.0

    def add(self, samples: GyroSamples) -> None:
        """Add samples; those without all six readings are left out."""
        if samples.accel_m_s2 is None:
            raise ValueError("samples without accelerations cannot be fused")
        good = np.isfinite(samples.accel_m_s2).all(axis=1)
        time_s = samples.time_s[good]
        if len(time_s) and len(self.time_s) and time_s[0] <= self.time_s[-1]:
            raise ValueError("samples must advance in time")
        self.time_s = np.concatenate([self.time_s, time_s])
        self._rate = np.concatenate([self._rate, samples.rate_rad_s[good]])
        self._force = np.concatenate([self._force, samples.accel_m_s2[good]])
        if len(self.time_s) > 1:
            self._step_s = float(np.median(np.diff(self.time_s[-512:])))

    @property
    def latest_s(self) -> float:
        """Time of the newest sample; -inf when there is none."""
        return float(self.time_s[-1]) if len(self.time_s) else -np.inf

    @property
    def step_s(self) -> float:
        """Usual time between samples."""
        return self._step_s

    def hole_s(self, start_s: float, end_s: float) -> float | None:
        """Where between two times the samples are too far apart to bridge: the sample before; None where nowhere."""
        longest = max(GAP_STEPS * self._step_s, GAP_LEAST_S)  # as the gyro's: a longer hole is not bridged
        first = max(int(np.searchsorted(self.time_s, start_s, "right")) - 1, 0)
        last = int(np.searchsorted(self.time_s, end_s, "left")) + 1
        wide = np.flatnonzero(np.diff(self.time_s[first:last]) > longest)
        if len(wide):
            return float(self.time_s[first + wide[0]])
        return self.latest_s if end_s - self.latest_s > longest else None

    def between(self, start_s: float, end_s: float) -> tuple[Array, Array, Array]:
        """Give times, rates and forces at both ends and at the samples between them."""
        inside = slice(*np.searchsorted(self.time_s, [start_s + SAME_SAMPLE_S, end_s - SAME_SAMPLE_S]))
        time_s = np.concatenate([[start_s], self.time_s[inside], [end_s]])
        rate, force = (self._along(column, time_s, inside) for column in (self._rate, self._force))
        return time_s, rate, force

    def rate_rad_s(self, time_s: float) -> Array:
        """Give the rate (3,) at a time."""
        return self._at(self._rate, time_s)

    def holds(self, time_s: float) -> bool:
        """Whether a sample was taken at this very time."""
        place = int(np.searchsorted(self.time_s, time_s - SAME_SAMPLE_S))
        return place < len(self.time_s) and bool(abs(self.time_s[place] - time_s) <= SAME_SAMPLE_S)

    def mean_force(self, start_s: float, end_s: float) -> Array:
        """Mean specific force (3,) of the samples between two times."""
        inside = (self.time_s >= start_s) & (self.time_s <= end_s)
        return np.asarray(self._force[inside if inside.any() else slice(0, 1)].mean(axis=0))

    def forget(self, before_s: float) -> Array:
        """Drop samples that nobody needs any more but the last before a time; give the times of those dropped."""
        first = max(int(np.searchsorted(self.time_s, before_s, "right")) - 1, 0)
        dropped = self.time_s[:first]
        self.time_s, self._rate, self._force = self.time_s[first:], self._rate[first:], self._force[first:]
        return dropped

    def _along(self, column: Array, time_s: Array, inside: slice) -> Array:
        out = np.empty((len(time_s), 3))
        out[1:-1] = column[inside]
        for place in (0, -1):
            out[place] = self._at(column, float(time_s[place]))
        return out

    def _at(self, column: Array, time_s: float) -> Array:
        after = min(max(int(np.searchsorted(self.time_s, time_s)), 1), len(self.time_s) - 1)
        if after < 1:
            return np.asarray(column[0])
        begin, end = self.time_s[after - 1], self.time_s[after]
        share = min(max((time_s - begin) / (end - begin), 0.0), 1.0)
        return np.asarray(column[after - 1] + share * (column[after] - column[after - 1]))
