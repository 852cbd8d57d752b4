"""Velocity less integrated specific force: what of it is no straight line over some rows is error of the image.

The difference u(k) = v(k) - F(k), F(k) the mean over the row of the integral of specific force in the local inertial frame,
grows with gravity and accelerometer bias alone, a straight line over some tenths of a second. The residuals of that line
are the error of single rows, whatever the craft did meanwhile.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.pair.geometry import LONGEST_INTERVAL_S

Array: TypeAlias = NDArray[np.float64]

ROWS = 24  # size: rows, of a window
"""Rows of a window: twice or half as many change the variance found by 5 to 10 % on coded recordings."""

_KEPT = 180  # size: windows, whose mean counts: some seconds of rows
# A window counts up to so many times the median one. A keyframe ten times as noisy as other images, the most of 80 coded
# recordings, leaves 5.5 times; an edge or a thing that moves through the view, more.
_CAP = 9.0
# prior: px^2, evenly distributed up to half a pixel either way
MOST_PX2 = 0.5**2 / 3
"""Variance of a row by a codec at most: as if it held whole images back by up to half a pixel, as it does single blocks, before it
sends them anew (evenly distributed). More is an event in view, or no ground at all."""

# size: ratio, sum of squared residuals of a random walk of n steps of variance 1 about its own regression line: (n^2 - 4) / 15
_WALK = (ROWS**2 - 4) / 15 / (ROWS - 2) / (ROWS - 1)
# size: degrees of freedom, taken by the line (2) and by the scale (1), which both level directions share
_TAKEN = np.array([2 + 1 / 2, 2 + 1 / 2, 2 + 1])
_TINY = 1e-18  # size: m^2/s^2, no division by 0
_KEYFRAMES, _FEWEST = 24, 3  # size: keyframes, whose mean counts, and that a mean takes


@dataclass(frozen=True, slots=True, kw_only=True)
class WindowRow:
    """A row: ``velocity_m_s`` and ``force_m_s`` (3,) are v and F, local inertial frame; ``time_s`` the middle of the row.

    ``R_level_still`` turns that frame into level axes. ``matches_m2_s2`` and ``known_m2_s2`` (3,), level axes, are its variance
    by the scatter of matches and by what is known beside the image (gyro noise); ``force_m_s_rts`` is the random walk
    of the integrated force. ``keyframe`` says whether one of its images is a keyframe of the codec.
    """

    time_s: float
    velocity_m_s: Array
    force_m_s: Array
    R_level_still: Array
    matches_m2_s2: Array
    known_m2_s2: Array
    m_s_per_px: float
    force_m_s_rts: float = 0.0
    keyframe: bool = False


class InertialWindows:
    """Learns the variance of rows from the residuals of straight lines over :data:`ROWS` consecutive rows."""

    def __init__(self) -> None:
        self._rows: deque[WindowRow] = deque(maxlen=ROWS)
        self._times, self._both = np.empty(ROWS), np.empty((ROWS, 6))
        self._shown: deque[Array] = deque(maxlen=_KEPT)
        self._explained: deque[Array] = deque(maxlen=_KEPT)
        self._keyframes: deque[float] = deque(maxlen=_KEYFRAMES)

    def __len__(self) -> int:
        return len(self._shown)

    def interrupt(self) -> None:
        """Say that the next row does not lie on the line of those before."""
        self._rows.clear()

    def add(self, row: WindowRow) -> None:
        """Take the next row."""
        if self._rows and row.time_s - self._rows[-1].time_s > LONGEST_INTERVAL_S:
            self.interrupt()  # the line begins anew
        self._times[:-1], self._both[:-1] = self._times[1:], self._both[1:]
        self._times[-1], self._both[-1, :3], self._both[-1, 3:] = row.time_s, row.velocity_m_s, row.force_m_s
        self._rows.append(row)
        if len(self._rows) == ROWS:
            self._fit(row.R_level_still)

    def common_px2(self) -> Array:
        """Variance (3,), level axes, beyond what matches and other known noise explain; both level directions pooled."""
        shown = np.array(self._shown)
        usual = np.minimum(shown, np.minimum(_CAP * np.median(shown, axis=0), MOST_PX2))
        return np.asarray((usual - self._explained).mean(axis=0))

    def keyframe_px2(self) -> float | None:
        """Variance of rows with a keyframe along a level direction, beyond the same; None where too few are known."""
        return float(np.mean(self._keyframes)) if len(self._keyframes) >= _FEWEST else None

    def _fit(self, R_level_still: Array) -> None:
        rows = self._rows
        since = self._times - self._times.mean()
        about = self._both - self._both.mean(axis=0)
        about -= since[:, None] * (since @ about / float(since @ since))
        force = about[:, 3:] @ R_level_still.T
        left = about[:, :3] @ R_level_still.T - force
        # A wrong height scales the change of speed by as much as the speed: that is no error of the image.
        for axes in (slice(0, 2), slice(2, 3)):
            left[:, axes] -= force[:, axes] * (
                np.vdot(force[:, axes], left[:, axes]) / max(np.vdot(force[:, axes], force[:, axes]), _TINY)
            )
        variance = np.square(left).sum(axis=0) / (ROWS - _TAKEN)
        px2 = float(np.mean([row.m_s_per_px**2 for row in rows]))
        walk = _WALK * rows[-1].force_m_s_rts ** 2 * (self._times[-1] - self._times[0])
        explained = np.mean([row.matches_m2_s2 + row.known_m2_s2 for row in rows], axis=0) + walk
        self._shown.append(_pooled(variance / px2))
        self._explained.append(_pooled(explained / px2))
        self._hear_keyframe(left, walk)

    def _hear_keyframe(self, left: Array, walk: float) -> None:
        """Take the residual of the middle row where that has a keyframe and most others have none."""
        row = self._rows[ROWS // 2]
        if not row.keyframe or 2 * sum(each.keyframe for each in self._rows) > ROWS:
            return
        residual = np.square(left[ROWS // 2]) / (1 - 1 / ROWS)  # of the middle the line itself knows 1 / n
        beyond = (residual - row.matches_m2_s2 - row.known_m2_s2 - walk)[:2].mean()
        self._keyframes.append(float(beyond) / row.m_s_per_px**2)


def _pooled(variance: Array) -> Array:
    level = 0.5 * (variance[0] + variance[1])
    return np.array([level, level, variance[2]])
