"""Gyro samples at the end of their range: they say that the craft turned faster, and not how fast."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.series import GyroSamples

Array: TypeAlias = NDArray[np.float64]

_LEAST_RAIL_RAD_S = 2.0  # the smallest range of common rate gyros is 125 deg/s, 2.18 rad/s (common practice)
# Two samples running of exactly the largest rate so far: a rate that is measured is never so steady.


class Rails:
    """Finds samples that stand at a rail.

    A rate beyond the sensor's range reads as the end of that range, the same number sample after sample. A log that stands
    at one number from its beginning has no rail.
    """

    def __init__(self) -> None:
        self._last = np.full(3, np.nan)
        self._most, self._least = np.zeros(3), np.full(3, np.inf)

    def without_saturated(self, samples: GyroSamples) -> GyroSamples:
        """Leave out the samples at a rail, from the second of each run on."""
        rate = samples.rate_rad_s
        if not len(rate):
            return samples
        size = np.abs(rate)
        before = np.vstack([self._last, rate[:-1]])
        most = np.maximum.accumulate(np.vstack([self._most, size]))
        least = np.minimum.accumulate(np.vstack([self._least, size]))
        bad = (rate == before) & (size >= most[1:]) & (size > _LEAST_RAIL_RAD_S) & (least < most)[1:]
        self._last, self._most, self._least = rate[-1], most[-1], least[-1]
        kept = ~bad.any(axis=1)
        if kept.all():
            return samples
        accel = samples.accel_m_s2
        return GyroSamples(
            time_s=samples.time_s[kept], rate_rad_s=rate[kept], accel_m_s2=None if accel is None else accel[kept]
        )
