"""Points of one picture found again in the next: pyramidal Lucas-Kanade from a predicted start."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Protocol, TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from flow.numerics.middle import upper_median

Array: TypeAlias = NDArray[np.float64]
Picture: TypeAlias = NDArray[np.uint8]
Predict: TypeAlias = Callable[[Array], Array]

# Noise of one picture from the mean absolute change of matched windows: sqrt(pi / 2) from mean absolute to sigma,
# 1 / sqrt(2) for two pictures, and 1 / 0.67 since bilinear sampling takes 0.44 of the variance on average.
_NOISE_BY_CHANGE = 1.32


@dataclass(frozen=True, slots=True, kw_only=True)
class Matches:
    """Where points of the first picture are in the second.

    ``first_px`` and ``second_px`` are (N, 2), column and row; ``covariance_px2`` (N, 2, 2) is that of the
    displacement for two grey levels of noise; the scatter of the matches themselves then scales it. ``offered``
    counts the points that were worth looking for; ``held`` is the share of them that are copies of the first picture, to
    a fraction of a grey level: a video codec holds such places back. ``noise_levels`` is the one-sigma of a pixel's noise,
    grey levels, as far as the matches show it; ``lost`` counts the points with texture that were in view and not found.

    Examples
    --------
    >>> import numpy as np
    >>> from flow import Matches
    >>> found = Matches(first_px=np.array([[10.0, 20.0], [30.0, 40.0]]), second_px=np.array([[10.0, 22.0], [30.0, 42.0]]),
    ...                 covariance_px2=np.stack([np.eye(2) * 0.01] * 2), offered=5)
    >>> len(found), len(found.only(np.array([True, False])))
    (2, 1)
    """

    first_px: Array
    second_px: Array
    covariance_px2: Array
    offered: int
    held: float = 0.0
    noise_levels: float = 2.0
    lost: int = 0

    def __len__(self) -> int:
        return len(self.first_px)

    def only(self, good: NDArray[np.bool_]) -> Matches:
        """Return the matches marked in ``good`` (N,)."""
        if good.all():
            return self
        return replace(
            self,
            first_px=self.first_px[good],
            second_px=self.second_px[good],
            covariance_px2=self.covariance_px2[good],
        )


class ImageMotion(Protocol):
    """What finds the image motion. ``predict`` gives the expected place in the second picture of points (N, 2).

    Examples
    --------
    Whatever has such a method serves, for example one that only knows displacements by the prediction:

    >>> import numpy as np
    >>> from flow import ImageMotion, Matches
    >>> class Predicted:
    ...     def match(self, first, second, predict, *, far):
    ...         points = np.array([[20.0, 20.0], [60.0, 40.0]])
    ...         return Matches(first_px=points, second_px=predict(points), covariance_px2=np.stack([np.eye(2)] * 2), offered=2)
    >>> motion: ImageMotion = Predicted()
    >>> blank = np.zeros((64, 80), np.uint8)
    >>> motion.match(blank, blank, lambda points: points + [0.0, 3.0], far=False).second_px[:, 1]
    array([23., 43.])
    """

    def match(self, first: Picture, second: Picture, predict: Predict, *, far: bool) -> Matches:
        """Match two pictures; ``far`` says that the prediction may be tens of pixels off."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class _Features:
    points: Array
    structure: Array  # (N, 2, 2) sum of gradient products over a window, grey levels^2
    weakest: NDArray[np.float32]  # (N,) smallest eigenvalue of its mean


class LucasKanade:
    """Tracks of corners spread over the picture by a quota for each cell of a grid.

    Each pair starts afresh: corners of the first picture, found on a half-size copy. Their starts are moved to
    evenly stratified sub-pixel places. Bilinear interpolation pulls each displacement by an amount that depends on
    the sub-pixel places of both ends: starts on whole pixels pull it toward half a pixel, starts on half pixels away
    from it. Alike for all tracks, the pull reads as speed (0.016-0.020 px on gravel and grass); with starts spread over
    +-0.43 px around the half it averages to within 0.0015 px, and what is left of it shows as scatter, which the error
    band counts. ``tests/outside/test_exact_shift.py`` measures it on photographs.

    Parameters
    ----------
    width_px, height_px
        Picture size.
    points
        How many corners at most.
    doubt_still
        Whether weak texture that stands still counts as a codec's copy. Without, a module at rest over weak texture keeps
        its matches; then whoever uses them has to tell copies apart.

    Examples
    --------
    Random texture that moves 3 px to the right:

    >>> import cv2, numpy as np
    >>> from flow import LucasKanade
    >>> grain = cv2.GaussianBlur(np.random.default_rng(1).uniform(0, 255, (120, 170)), (0, 0), 2)
    >>> ground = cv2.normalize(grain, None, 0, 255, cv2.NORM_MINMAX).astype(np.uint8)
    >>> first, second = (np.ascontiguousarray(ground[:, k : k + 160]) for k in (3, 0))
    >>> found = LucasKanade(160, 120).match(first, second, lambda points: points, far=True)
    >>> np.round(np.median(found.second_px - found.first_px, axis=0), 1) + 0.0
    array([3., 0.])
    """

    # The weakest direction's mean squared gradient, half-size picture. Real ground, dim soil included, lies above 4
    # and above 6 noise variances; corners found in noise alone below 0.16 noise variances.
    _LEAST_SQUARE = 1.4
    _LEAST_OVER_NOISE = 0.6
    _NOISIEST = 18.0  # grey levels
    # A video codec copies blocks that changed too little to be worth coding: on a bare floor it freezes the noise of an
    # earlier picture, which then stands still in full agreement. A window that did not move and did not change by
    # a fraction of a grey level is such a copy. Where copies of weak texture abound, the rest is no better.
    _COPY_PX, _COPY_CHANGE, _COPY_SQUARE, _COPY_SHARE = 0.02, 0.3, 10.0, 0.25
    _SPREAD_PX = 0.43  # over the full +-0.5 px the pull toward the half wins by 0.002-0.004 px
    _NOISE = 2.0  # grey levels
    _FLOOR_PX = 0.03  # interpolation and codec
    _WINDOW = 15  # px; 21 is no more exact on photographs and costs twice
    _BLOCK = 7  # window of the structure tensor on the half-size picture, px

    def __init__(self, width_px: int, height_px: int, *, points: int = 200, doubt_still: bool = True) -> None:
        self._doubt_still = doubt_still
        self._size = np.array([width_px, height_px])
        aspect = width_px / height_px
        self._rows = max(int(np.sqrt(points / aspect)), 4)
        self._columns = max(points // self._rows, 4)
        count = np.arange(self._rows * self._columns)
        # Roberts' R2 sequence (2018): low discrepancy in two dimensions for any count.
        even = np.column_stack([count * 0.7548776662466927, count * 0.5698402909980532]) % 1.0
        self._places = 2 * self._SPREAD_PX * (even - 0.5)

    def match(self, first: Picture, second: Picture, predict: Predict, *, far: bool) -> Matches:
        """Match two pictures; see :class:`ImageMotion`."""
        features = self._features(first)
        start = predict(features.points)
        inside = self._inside(start)
        points = features.points[inside].astype(np.float32)
        if len(points) == 0:
            return no_matches(offered=len(inside))
        found, status, residual = cv2.calcOpticalFlowPyrLK(
            first,
            second,
            points[:, None],
            start[inside].astype(np.float32)[:, None].copy(),
            winSize=(self._WINDOW, self._WINDOW),
            maxLevel=4 if far else 1,
            criteria=(cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 20, 0.003),
            flags=cv2.OPTFLOW_USE_INITIAL_FLOW,
            minEigThreshold=1e-5,
        )
        ends, change = found[:, 0].astype(float), np.asarray(residual[:, 0], np.float32)
        followed = (status[:, 0] == 1) & np.isfinite(change) & self._inside(ends)
        change = np.where(followed, change, np.float32(1e3))  # of the others OpenCV gives anything, infinity included
        if not followed.any():
            return no_matches(offered=len(inside))
        typical = upper_median(change[followed])
        weakest = features.weakest[inside]
        noise = _NOISE_BY_CHANGE * typical
        if noise > self._NOISIEST:  # no camera is: the pictures show different things, and the matches will tell
            noise = 0.0
        textured = weakest > self._LEAST_OVER_NOISE * noise**2
        still = np.abs(ends - points).max(axis=1) < self._COPY_PX
        copied = followed & still & (change < self._COPY_CHANGE)
        if self._doubt_still:
            textured &= self._not_copied(copied, weakest, followed)
        true = followed & textured & plausible(change, typical)
        # Cramer-Rao form for two noisy pictures (Robinson and Milanfar 2004), plus what no texture takes away.
        structure = features.structure[inside][true]
        covariance = 2 * self._NOISE**2 * np.linalg.inv(structure) + self._FLOOR_PX**2 * np.eye(2)
        return Matches(
            first_px=points[true].astype(float),
            second_px=ends[true],
            covariance_px2=covariance,
            offered=int(np.count_nonzero(textured)) + int(np.count_nonzero(~inside)),
            held=float(copied.sum() / followed.sum()),
        )

    def _not_copied(
        self, copied: NDArray[np.bool_], weakest: NDArray[np.float32], followed: NDArray[np.bool_]
    ) -> NDArray[np.bool_]:
        weak = copied & (weakest < self._COPY_SQUARE)
        if np.count_nonzero(weak) > self._COPY_SHARE * np.count_nonzero(followed):
            return np.zeros(len(copied), bool)
        return ~weak

    def _inside(self, points: Array) -> NDArray[np.bool_]:
        margin = self._WINDOW // 2 + 1
        return np.asarray(((points >= margin) & (points < self._size - margin)).all(axis=1))

    def _features(self, picture: Picture) -> _Features:
        half = cv2.resize(picture, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        gx = cv2.Scharr(half, cv2.CV_32F, 1, 0, scale=1 / 32)
        gy = cv2.Scharr(half, cv2.CV_32F, 0, 1, scale=1 / 32)
        window = (self._BLOCK, self._BLOCK)
        xx, xy, yy = (cv2.boxFilter(a * b, -1, window) for a, b in ((gx, gx), (gx, gy), (gy, gy)))
        weakest = 0.5 * (xx + yy) - np.sqrt(0.25 * (xx - yy) ** 2 + xy**2)
        margin = self._WINDOW // 4 + 2
        rows, columns = self._rows, self._columns
        high, wide = (half.shape[0] - 2 * margin) // rows, (half.shape[1] - 2 * margin) // columns
        cells = weakest[margin : margin + high * rows, margin : margin + wide * columns]
        cells = cells.reshape(rows, high, columns, wide).transpose(0, 2, 1, 3).reshape(rows * columns, -1)
        best = cells.argmax(axis=1)
        cell = np.arange(rows * columns)
        y = margin + (cell // columns) * high + best // wide
        x = margin + (cell % columns) * wide + best % wide
        good = weakest[y, x] > self._LEAST_SQUARE
        x, y = x[good], y[good]
        tensor = np.stack([xx[y, x], xy[y, x], xy[y, x], yy[y, x]], axis=-1).reshape(-1, 2, 2).astype(float)
        # Pixel (0, 0) of the half-size picture covers full-size pixels 0 and 1: its centre is at 0.5.
        points = np.column_stack([2 * x + 0.5, 2 * y + 0.5]) + self._places[: len(x)]
        return _Features(points=points, structure=tensor * self._WINDOW**2, weakest=weakest[y, x])


def no_matches(offered: int) -> Matches:
    """Nothing found again, of so many points that were worth looking for."""
    nothing = np.empty((0, 2))
    return Matches(first_px=nothing, second_px=nothing, covariance_px2=np.empty((0, 2, 2)), offered=offered)


def plausible(change: NDArray[np.floating], typical: float | None = None) -> NDArray[np.bool_]:
    """Tell windows that hold the same ground: one that changed far more than the others holds something else.

    ``change`` (N,) is a window's, grey levels; ``typical`` that of most, their median when left out.
    """
    if typical is None:
        typical = upper_median(change)
    spread = upper_median(np.abs(change - typical))
    return np.asarray(change <= typical + 6 * spread + 1)
