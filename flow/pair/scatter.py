"""Errors that all matches of a pair share and only time shows.

Matches that scatter show it in their residuals; an error common to all of a pair does not. A video codec makes such
errors: it shifts whole images, by ten times what independent blocks would leave of their scatter. But they show in time: a craft
cannot jerk from one 60th of a second to the next, and an accelerometer tells what it did.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.numerics.third_difference import OF_DIFFERENCES, OF_WHITE, THIRD_DIFFERENCE
from flow.pair.inertial_window import MOST_PX2, InertialWindows, WindowRow

Array: TypeAlias = NDArray[np.float64]

# Variance of a third difference over that of a row. Rows that are differences e(k) = p(k) - p(k-1) of independent image shifts:
# 70 var(p) over 2 var(p), 35. Of every second row those are independent: 20. The larger of both estimates counts.
# A hand that shakes leaves third differences too, that grow with the cube of the spacing: those of every third row tell how much.
# Images that are coded each for itself (lossless, MJPEG) do not hang together: their shifts are independent, and 35 is all.
_GAINS = (OF_DIFFERENCES, OF_WHITE, OF_WHITE)
_SPACINGS = (1, 2, 3)  # size: rows, from one to the next of a third difference
_MOTION = (2 / 3) ** 6  # size: ratio, of the variance that motion leaves at a spacing of two, to that at three
# The least gain of 80 coded recordings (images that hang together in groups of a codec's, at 100 to 150 a second): what
# windows show beyond third differences over this is the accelerometer's own error.
_LEAST_GAIN = 6.0
_OUTLIER = 40.0  # rate: 2e-5 two-sided, medians of a squared jerk, 4.3 sigmas; beyond is an event, not noise
_LEAST_SHARE = 0.6  # of the matches' own variance, should that prove too large
_UNEVEN = 1.5  # size: ratio, of intervals, halfway to the two of a dropped frame
_OFTEN_HELD = 0.1  # of rows, from which on rare leaps count
_BELIEF_PX = 0.02  # prior: px one-sigma, common jitter before anything is known: an ordinary H.264 recording
_BELIEF_ROWS, _BELIEF_FADES = 4.0, 15  # prior: rows, it counts as so many and is forgotten within so many


@dataclass(frozen=True, slots=True, kw_only=True)
class ScatterRow:
    """A row as the images show it.

    Parameters
    ----------
    time_s
        Its middle.
    velocity_m_s
        (3,), local inertial frame.
    force_m_s
        (3,), mean over the row of the integral of specific force, the same frame; None without an accelerometer.
    force_m_s_rts
        Random walk of that integral.
    R_level_still
        Turns the frame into level axes.
    matches_m2_s2, known_m2_s2
        (3,), level axes, variance by the scatter of matches and by noise that is not the image's.
    m_s_per_px
        Speed that moves the image by one pixel in the interval.
    held
        Whether a codec held parts of the image back: then a rare leap is no accident but the other half of it.
    keyframes
        How many of its two images are keyframes of the codec, as far as that is known.
    """

    time_s: float
    velocity_m_s: Array
    R_level_still: Array
    matches_m2_s2: Array
    known_m2_s2: Array
    m_s_per_px: float
    force_m_s: Array | None = None
    force_m_s_rts: float = 0.0
    held: bool = False
    keyframes: int = 0


class CommonScatter:
    """Variance of the image motion that all matches of a pair share, from the change of speed over time.

    What the matches' own scatter and gyro noise do not explain is put down to the image as a whole and kept in pixels, so that
    it follows height and interval. With an accelerometer it is that of windows of rows
    (:class:`flow.pair.inertial_window.InertialWindows`), without one that of third differences of the speed: smooth motion leaves
    next to nothing there (a sway of 0.3 m/s at 2 Hz, 60 rows/s: 3 mm/s), errors of rows are enlarged fivefold. Every row
    is learnt from, whatever is said of it: what decides over a row must not choose the rows it is judged by.

    Parameters
    ----------
    memory
        Third differences that count.
    """

    _EVERY = 8  # size: rows, cost only: between two evaluations

    def __init__(
        self,
        *,
        memory: int = 180,  # size: rows, some seconds
    ) -> None:
        self._rows: deque[ScatterRow] = deque(maxlen=3 * max(_SPACINGS) + 1)
        self._third, self._second, self._wide = (
            _Differences(spacing, gain, memory) for spacing, gain in zip(_SPACINGS, _GAINS, strict=True)
        )
        self._held: deque[bool] = deque(maxlen=memory)
        self._windows = InertialWindows()
        self._heard = self._rows_since = 0
        self._variance_px2 = np.full(3, _BELIEF_PX**2)
        self._keyframe_px2: float | None = None
        self._alone = True  # every image so far is coded for itself

    def add(self, row: ScatterRow) -> None:
        """Take the next row."""
        self._rows.append(row)
        self._held.append(row.held)
        self._third.add(self._rows)
        self._alone = self._alone and row.keyframes == 2
        if not (len(self._windows) or self._alone):
            self._second.add(self._rows)
            self._wide.add(self._rows)
        if row.force_m_s is None:
            self._windows.interrupt()
        else:
            self._windows.add(
                WindowRow(
                    time_s=row.time_s,
                    velocity_m_s=row.velocity_m_s,
                    force_m_s=row.force_m_s,
                    R_level_still=row.R_level_still,
                    matches_m2_s2=row.matches_m2_s2,
                    known_m2_s2=row.known_m2_s2,
                    m_s_per_px=row.m_s_per_px,
                    force_m_s_rts=row.force_m_s_rts,
                    keyframe=row.keyframes > 0,
                )
            )
        self._heard += 1
        self._rows_since += 1
        if self._rows_since >= min(self._EVERY, self._heard):
            self._rows_since = 0
            self._weigh()

    def interrupt(self, *, scaled: bool = False) -> None:
        """Say that the next row does not follow the last one.

        A straight line over rows bears a gap, but not that their speeds are ``scaled`` by a height that began anew.
        """
        self._rows.clear()
        if scaled:
            self._windows.interrupt()

    def common_px2(self, *, keyframe: bool = False) -> Array:
        """Variance (3,) that matches share, level axes, px^2; less than nothing where their own proved too large."""
        if not keyframe or self._keyframe_px2 is None:
            return self._variance_px2
        return np.asarray(np.maximum(self._variance_px2, [self._keyframe_px2, self._keyframe_px2, -np.inf]))

    @property
    def frame_jitter_px(self) -> float:
        """One-sigma by which a single image is shifted as a whole, px; a row's error is that of two."""
        return float(np.sqrt(max(self._variance_px2[:2].mean(), 0.0) / 2))

    def _weigh(self) -> None:
        found, count, keyframe = self._found()
        if count:
            belief = _BELIEF_ROWS * np.exp(-self._heard / _BELIEF_FADES)
            self._variance_px2 = (belief * _BELIEF_PX**2 + count * found) / (belief + count)
            self._keyframe_px2 = keyframe

    def _found(self) -> tuple[Array, int, float | None]:
        """Variance (3,), how many differences or windows show it, and that of rows with a keyframe."""
        held = float(np.mean(self._held)) > _OFTEN_HELD
        third, second = self._third, self._second
        jerked = third.common_px2(held=held)
        if len(second):
            moved = _MOTION * self._wide.common_px2(held=held) if len(self._wide) else 0.0
            jerked = np.maximum(jerked, second.common_px2(held=held) - moved)
        if not len(self._windows):
            return jerked, len(third), third.keyframe_px2()
        found, less = self._windows.common_px2(), _GAINS[0] / _LEAST_GAIN
        if len(third):
            found = np.minimum(found, np.maximum(jerked, 0.0) * less + (less - 1) * third.explained_px2())
        return found, len(self._windows), self._windows.keyframe_px2()


def grown(own: Array, common_px2: Array, m_s_per_px: float) -> Array:
    """Covariance (3, 3) by the image: that of the matches, with what they share (3,), px^2, on its axes."""
    variance = np.maximum(own.diagonal() + common_px2 * m_s_per_px**2, _LEAST_SHARE * own.diagonal())
    more = np.sqrt(variance / own.diagonal())
    return np.asarray(own * np.outer(more, more))


class _Differences:
    """Third differences of rows ``spacing`` apart, as variances of a row beyond what is known of it, px^2."""

    def __init__(self, spacing: int, gain: float, memory: int) -> None:
        self._spacing, self._gain = spacing, gain
        self._shown: deque[Array] = deque(maxlen=memory)
        self._explained: deque[Array] = deque(maxlen=memory)
        self._keyframes: deque[Array] = deque(maxlen=24)

    def __len__(self) -> int:
        return len(self._shown)

    def add(self, rows: deque[ScatterRow]) -> None:
        """Take the newest of consecutive rows."""
        if len(rows) <= 3 * self._spacing:
            return
        last = len(rows) - 1
        four = [rows[last - k * self._spacing] for k in (3, 2, 1, 0)]
        units = [row.m_s_per_px for row in four]
        if max(units) > _UNEVEN * min(units):
            return  # a dropped frame: the differences assume even steps
        px2 = float(np.mean(np.square(units)))
        jerk = four[-1].R_level_still @ (THIRD_DIFFERENCE @ [row.velocity_m_s for row in four])
        known, matches = (
            np.mean([getattr(row, name) for row in four], axis=0) / px2 for name in ("known_m2_s2", "matches_m2_s2")
        )
        shown = np.square(jerk) / (self._gain * px2)
        explained = OF_WHITE / self._gain * known + matches  # gyro noise is new in each row
        self._shown.append(shown)
        self._explained.append(explained)
        keyframes = [row.keyframes > 0 for row in four]
        if keyframes == [False, True, True, False]:  # the two pairs that one keyframe belongs to, in the middle
            self._keyframes.append(shown - explained)

    def common_px2(self, *, held: bool) -> Array:
        """Mean variance (3,) beyond what is explained; rare leaps count where a codec holds images back."""
        if not self._shown:
            return np.zeros(3)
        shown = np.array(self._shown)
        beyond = shown - self._explained
        # What is usual at the very start the belief says as well: the first rows may be no ground at all.
        believed = np.full((max(_BELIEF_FADES - len(beyond), 0), 3), _BELIEF_PX**2)
        most = np.inf if held else _OUTLIER * np.median(np.vstack([np.abs(beyond), believed]), axis=0)
        mean = np.minimum(beyond, np.minimum(most, MOST_PX2)).mean(axis=0)
        level = 0.5 * (mean[0] + mean[1])
        return np.array([level, level, mean[2]])

    def explained_px2(self) -> Array:
        """Mean variance (3,) that is explained."""
        return np.asarray(np.mean(self._explained, axis=0)) if self._explained else np.zeros(3)

    def keyframe_px2(self) -> float | None:
        """Mean variance of rows with a keyframe, beyond what is explained; None where too few are known."""
        return float(np.mean([each[:2].mean() for each in self._keyframes])) if len(self._keyframes) > 2 else None
