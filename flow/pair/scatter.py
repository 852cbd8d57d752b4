"""Errors that all matches of a pair share and only time shows.

Matches that scatter show it in their residuals; an error common to all of a pair does not. A video codec makes such
errors: it holds blocks back and lets them catch up, and the whole picture seems to hesitate. But they show in time,
since a craft cannot jerk from one 60th of a second to the next.
"""

from __future__ import annotations

from collections import deque
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Array: TypeAlias = NDArray[np.float64]

_THIRD = np.array([-1.0, 3.0, -3.0, 1.0])
# Variance of a third difference over that of a row: 20 for row errors independent of each other, 35 for rows that are
# differences e(k+1) - e(k) of independent position errors (70 var(e), the row having 2 var(e)). Recordings lie between
# (29 to 33 on H.264); the middle is off by an eighth of the sigma at most.
_JERK_GAIN = 28.0
_WHITE_GAIN = 20.0
_OUTLIER = 40.0  # a squared jerk counts up to so many medians (4.3 sigma of a Gaussian); beyond is an event, not noise


class CommonScatter:
    """Variance of the image motion that all matches of a pair share, learnt from third differences of the speed.

    Smooth motion leaves next to nothing in the third difference of four consecutive rows (a sway of 0.3 m/s at 2 Hz,
    60 rows/s: 3 mm/s), errors of the rows are enlarged fivefold. What the matches' own scatter and the gyro noise do
    not explain is put down to the picture as a whole and kept in pixels, so that it follows height and interval.

    Parameters
    ----------
    memory
        Rows that count.
    """

    _BELIEF_PX = 0.02  # common jitter before anything is known: an ordinary H.264 recording
    _BELIEF_ROWS, _BELIEF_FADES = 4.0, 15.0  # it counts as so many rows, and is forgotten within so many
    _EVERY = 8  # rows between two evaluations
    _LEAST_SHARE = 0.6  # of the matches' own variance, should that prove too large

    def __init__(self, *, memory: int = 180) -> None:
        self._rows: deque[tuple[Array, Array, Array, float]] = deque(maxlen=4)
        self._found: deque[Array] = deque(maxlen=memory)
        self._held: deque[bool] = deque(maxlen=memory)
        self._rows_since = 0
        self._variance_px2 = np.full(3, self._BELIEF_PX**2)

    def add(
        self, velocity_m_s: Array, by_matches: Array, by_gyro: Array, m_s_per_px: float, *, held: bool = False
    ) -> None:
        """Add a row that follows the last one.

        Parameters
        ----------
        velocity_m_s
            (3,), any axes, the same in every call.
        by_matches, by_gyro
            Its variances (3,) by the scatter of matches and by gyro noise, m^2/s^2.
        m_s_per_px
            Speed that moves the picture by one pixel in the interval.
        held
            Whether a codec held parts of the picture back: then a rare leap is no accident but the other half of it.
        """
        self._rows.append((velocity_m_s, by_matches, by_gyro, m_s_per_px))
        if len(self._rows) < 4:
            return
        velocity, matches, gyro, unit = (np.array(column) for column in zip(*self._rows, strict=True))
        if unit.max() > 1.5 * unit.min():
            return  # a dropped frame: the differences assume even steps
        jerk = np.square(_THIRD @ velocity) - _WHITE_GAIN * gyro.mean(axis=0)
        self._found.append((jerk / _JERK_GAIN - matches.mean(axis=0)) / np.mean(unit**2))
        self._held.append(held)
        self._rows_since += 1
        if self._rows_since >= min(self._EVERY, len(self._found)):
            self._rows_since = 0
            self._weigh()

    def interrupt(self) -> None:
        """Say that the next row does not follow the last one."""
        self._rows.clear()

    def variance(self, by_matches: Array, m_s_per_px: float) -> Array:
        """Variance (3,) of a row by the picture: the matches' own and what they share."""
        whole = by_matches + self._variance_px2 * m_s_per_px**2
        return np.asarray(np.maximum(whole, self._LEAST_SHARE * by_matches))

    @property
    def frame_jitter_px(self) -> float:
        """One-sigma by which a single picture is shifted as a whole, px; a row's error is that of two."""
        return float(np.sqrt(max(self._variance_px2[:2].mean(), 0.0) / 2))

    def _weigh(self) -> None:
        found = np.array(self._found)
        most = np.inf if np.mean(self._held) > 0.1 else _OUTLIER * np.median(np.abs(found), axis=0)
        usual = np.minimum(found, most)
        belief = self._BELIEF_ROWS * np.exp(-len(found) / self._BELIEF_FADES)
        self._variance_px2 = (belief * self._BELIEF_PX**2 + usual.sum(axis=0)) / (belief + len(found))
