"""Gyro samples at the end of their range: they say that the craft turned faster, and not how fast."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.series import GyroSamples

Array: TypeAlias = NDArray[np.float64]
Marks: TypeAlias = NDArray[np.bool_]

_LEAST_RAIL_RAD_S = (
    2.0  # prior: rad/s, the smallest range of common rate gyros is 125 deg/s, 2.18 rad/s (common practice)
)
_LEAST_CLIP_RAD_S = 0.2  # less is clipped by software, if by anything
_ROUNDING_RAD_S = 1e-9  # size: rad/s, equal but for rounding
_TIMES_USUAL = 3  # as long as any reading stood before that was no extreme
_GRAINS = 3.0  # a coarse reading stands at the crest of a wave too, but is entered by its smallest steps
_STEPS = 4  # size: steps, of which the largest counts


class Rails:
    """Finds samples that stand at a rail.

    A rate beyond the sensor's range reads as the end of that range, the same number sample after sample: the largest so far,
    for two samples running where a range may end, for longer than usual anywhere. A log that stands at one number from its
    beginning has no rail.
    """

    def __init__(self) -> None:
        self._last, self._entry = np.full(3, np.nan), np.full(3, np.nan)  # reading, and the largest step just before it
        self._steps = np.zeros((_STEPS - 1, 3))
        self._most, self._grain = np.zeros(3), np.full(3, np.inf)  # largest reading, finest difference of steps
        self._run, self._usual = np.zeros(3, int), np.ones(3, int)  # so many times the same, now and at most

    def without_saturated(self, samples: GyroSamples) -> GyroSamples:
        """Leave out the samples at a rail, from the moment on at which that is plain."""
        kept = np.asarray(~self.at_rail(samples.rate_rad_s).any(axis=1))
        return samples if kept.all() else samples.part(kept)

    def at_rail(self, rate_rad_s: Array) -> Marks:
        """Mark which of the next rates (N, 3) stand at a rail."""
        if not len(rate_rad_s):
            return np.zeros((0, 3), bool)
        size, last = np.abs(rate_rad_s), np.vstack([self._last, rate_rad_s[:-1]])
        step = np.abs(rate_rad_s - last)
        most = np.maximum.accumulate(np.maximum(size, self._most))
        at, moved = np.arange(len(size))[:, None], step != 0
        began = np.maximum.accumulate(np.where(moved, at, -1))
        run = np.where(began >= 0, at - began, self._run + at) + 1
        steps = np.vstack([self._steps, np.nan_to_num(step)])
        bend = np.abs(np.diff(steps, axis=0)[_STEPS - 2 :])
        finest = np.fmin(*(np.where(each > _ROUNDING_RAD_S, each, np.inf) for each in (step, bend)))
        grain = np.minimum.accumulate(np.minimum(finest, self._grain))
        pace = np.lib.stride_tricks.sliding_window_view(steps, _STEPS, axis=0).max(axis=2)
        entry = np.where(began >= 0, np.take_along_axis(pace, np.maximum(began, 0), axis=0), self._entry)
        over = moved & (np.abs(last) < most)  # a run that was no extreme is over
        ended = np.where(over, np.vstack([self._run, run[:-1]]), 1)
        usual = np.maximum.accumulate(np.maximum(ended, self._usual))
        rail = (run > 1) & (size > _LEAST_RAIL_RAD_S) & (entry > 0)
        clip = (run > _TIMES_USUAL * usual) & (size > _LEAST_CLIP_RAD_S) & (entry > _GRAINS * grain)
        self._last, self._entry, self._most, self._grain = rate_rad_s[-1], entry[-1], most[-1], grain[-1]
        self._run, self._usual, self._steps = run[-1], usual[-1], steps[1 - _STEPS :]
        return np.asarray((size >= most) & (rail | clip))
