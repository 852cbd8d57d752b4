"""A reference log between its samples: linear, averaged over intervals, silent across gaps."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.errors import DataError
from flow.series import Truth

Array: TypeAlias = NDArray[np.float64]

_GAP_S = 0.25
_GAP_STEPS = 2.5  # a sample missing now and then is no gap, two in a row are


class Reference:
    """Velocity and height of a reference log at any time that it covers.

    Parameters
    ----------
    truth
        The log. A stretch without a sample for more than 0.25 s and more than 2.5 usual steps is a gap.

    Raises
    ------
    DataError
        Fewer than two rows give a velocity.
    """

    def __init__(self, truth: Truth) -> None:
        velocity = np.column_stack([truth.forward_m_s, truth.right_m_s, truth.down_m_s])
        known = ~np.isnan(velocity).any(axis=1)
        if known.sum() < 2:
            raise DataError("fewer than two rows of the reference log give a velocity")
        self._velocity = _Line(truth.time_s[known], velocity[known])
        high = ~np.isnan(truth.height_m)
        self._height = _Line(truth.time_s[high], truth.height_m[high, None]) if high.sum() > 1 else None
        self.first_s, self.last_s = (float(t) for t in truth.time_s[known][[0, -1]])

    @property
    def step_s(self) -> float:
        """Usual time between two samples of velocity."""
        return self._velocity.step_s

    @property
    def gaps(self) -> int:
        """Stretches without a sample, between the first one and the last."""
        return self._velocity.gaps

    @property
    def between_m_s(self) -> Array:
        """How far off straight lines between the samples are, RMS, (3,) forward, right, down; see :meth:`_Line.bend`.

        What the reference does not know counts as an error of the log. Noise of the samples adds a fifth of its
        own sigma.
        """
        return self._velocity.bend()

    def mean_velocity_m_s(self, time_s: Array, interval_s: Array) -> Array:
        """Average forward, right, down over intervals around times; (N, 3), NaN where not covered."""
        return self._velocity.mean(time_s - interval_s / 2, time_s + interval_s / 2)

    def height_m(self, time_s: Array) -> Array:
        """Height at times; (N,), NaN where not covered."""
        if self._height is None:
            return np.full(len(time_s), np.nan)
        return np.asarray(self._height.at(time_s)[:, 0])


class _Line:
    """A piecewise linear function of time, (K, D) at K knots, with its integral in closed form."""

    def __init__(self, time_s: Array, value: Array) -> None:
        self._origin_s = time_s[0]
        self._time = time_s - self._origin_s
        self._value = value
        step = np.diff(self._time)
        self._slope = np.diff(value, axis=0) / step[:, None]
        areas = (value[1:] + value[:-1]) / 2 * step[:, None]
        self._area = np.concatenate([np.zeros((1, value.shape[1])), np.cumsum(areas, axis=0)])
        self.step_s = float(np.median(step))
        gap = step > max(_GAP_S, _GAP_STEPS * self.step_s)
        self._gap = gap
        self.gaps = int(gap.sum())
        self._gaps_before = np.concatenate([[0], np.cumsum(gap)])

    def mean(self, begin_s: Array, end_s: Array) -> Array:
        begin, end = begin_s - self._origin_s, end_s - self._origin_s
        mean: Array = (self._integral(end) - self._integral(begin)) / (end - begin)[:, None]
        mean[~self._covers(begin, end)] = np.nan
        return mean

    def at(self, time_s: Array) -> Array:
        time: Array = time_s - self._origin_s
        k = self._segment(time)
        value = np.asarray(self._value[k] + self._slope[k] * (time - self._time[k])[:, None])
        value[~self._covers(time, time)] = np.nan
        return value

    def bend(self) -> Array:
        """RMS distance, (D,), between the straight lines and the curve through the knots.

        Within a step h a curve with second derivative c is c s (h - s) / 2 off its chord, c h^2 / sqrt(120) RMS;
        c comes from the change of slope at each knot.
        """
        step = np.diff(self._time)
        inner = ~(self._gap[1:] | self._gap[:-1])
        if not inner.any():
            return np.full(self._value.shape[1], np.nan)
        curve = 2 * np.diff(self._slope, axis=0)[inner] / (step[1:] + step[:-1])[inner, None]
        fourth = ((step[1:] ** 4 + step[:-1] ** 4) / 2)[inner, None]
        return np.asarray(np.sqrt(np.mean(curve**2 * fourth / 120, axis=0)))

    def _segment(self, time: Array) -> NDArray[np.intp]:
        return np.clip(np.searchsorted(self._time, time, "right") - 1, 0, len(self._time) - 2)

    def _integral(self, time: Array) -> Array:
        k = self._segment(time)
        into = (time - self._time[k])[:, None]
        return np.asarray(self._area[k] + into * (self._value[k] + into / 2 * self._slope[k]))

    def _covers(self, begin: Array, end: Array) -> NDArray[np.bool_]:
        first, last = self._segment(begin), np.maximum(self._segment(end), self._segment(begin))
        # An end right on a knot does not enter the segment that begins there.
        last = np.where((end == self._time[last]) & (last > first), last - 1, last)
        whole = self._gaps_before[last + 1] == self._gaps_before[first]
        return np.asarray(whole & (begin >= self._time[0]) & (end <= self._time[-1]))
