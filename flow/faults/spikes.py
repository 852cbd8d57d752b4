"""Gyro samples that stand out alone from those before and after: bits lost on a bus, and no turn.

A craft has inertia: between two samples it cannot gain a rate and lose it again. What shakes as fast as the log is sampled
does so sample after sample.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.numerics.compiled import compiled
from flow.series import GyroSamples

Array: TypeAlias = NDArray[np.float64]
Marks: TypeAlias = NDArray[np.bool_]

_LEAST_RAD_S2 = 200.0  # prior: rad/s^2, there and back; small craft gain some tens on purpose (common practice)
_TIMES_USUAL = 15.0  # the mean of what stood out before ...
_NEW_SHARE = 0.02  # size: share, a running mean of fifty samples


class Spikes:
    """Finds them. Only a sample that may be one waits for the next."""

    def __init__(self) -> None:
        self._waiting: GyroSamples | None = None
        self._before: Array | None = None  # the last two rates that are no spikes, (2, 3); the second may wait
        self._before_s = np.nan
        self._usual = np.zeros(3)
        self.count = 0
        """How many there were."""

    def without_spikes(self, samples: GyroSamples) -> GyroSamples:
        """Leave them out."""
        if not len(samples.time_s):
            return samples
        if self._before is None:
            self._before, self._before_s = np.tile(samples.rate_rad_s[0], (2, 1)), float(samples.time_s[0])
        step_s = np.diff(samples.time_s, prepend=self._before_s)
        self._before_s = float(samples.time_s[-1])
        waits = self._waiting is not None
        spike, waiting = _judged(samples.rate_rad_s, step_s, self._before, self._usual, waits)
        if self._waiting is not None:
            samples = self._waiting.followed_by(samples)
        self.count += int(np.count_nonzero(spike))
        kept = ~spike[not waits :]
        kept[-1] = not waiting
        self._waiting = samples.part(slice(-1, None)) if waiting else None
        return samples if kept.all() else samples.part(kept)


@compiled
def _judged(rate: Array, step_s: Array, before: Array, usual: Array, waits: bool) -> tuple[Marks, bool]:
    """Mark (1 + N,) the spikes among the last sample before and the next N, and tell whether the last may be one.

    ``before`` and ``usual`` (3,) are carried on.
    """
    spike = np.zeros(1 + len(rate), np.bool_)
    for k in range(len(rate)):
        dropped = False
        for axis in range(rate.shape[1]):
            there, back = before[1, axis] - before[0, axis], before[1, axis] - rate[k, axis]
            out = min(abs(there), abs(back)) if there * back > 0 else 0.0
            dropped |= waits and out > max(_LEAST_RAD_S2 * step_s[k], _TIMES_USUAL * usual[axis])
            usual[axis] += _NEW_SHARE * (out - usual[axis])
        spike[k] = dropped
        waits = False
        for axis in range(rate.shape[1]):
            if not dropped:
                before[0, axis] = before[1, axis]
            before[1, axis] = rate[k, axis]
            step = abs(rate[k, axis] - before[0, axis])
            waits |= step > max(_LEAST_RAD_S2 * step_s[k], _TIMES_USUAL * usual[axis])
    return spike, waits
