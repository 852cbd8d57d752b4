"""Other ways to find the image motion, from OpenCV, for comparison on the same frames.

Each is an :class:`flow.tracks.ImageMotion` on raw pictures: rotation, lens, plane, solver and error band are shared, so
that a comparison tells the image motions apart and nothing else. Each starts from the same prediction as ours. The first
are the Lucas-Kanade tracks from which our blocks start, alone; the others are OpenCV's best of their kind on trials over
gravel at 0.3, 1 and 4 m: iterative phase correlation before the plain one, Farneback's flow before DIS, a homography
before an affine map in ECC, SIFT before ORB.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from flow.tracks import ImageMotion, LucasKanade, Matches, Picture, Predict

Array: TypeAlias = NDArray[np.float64]
Floats: TypeAlias = NDArray[np.float32]

OURS = "groundpace"
"""The name under which our own blocks are compared."""

_SIGMA_PX = 0.05  # of any match of a rival; the scatter of the matches sets the scale
_LEAST_GRADIENT = 1.2  # grey levels a pixel along the weakest direction; less is noise: the same gate as ours
_GATE_PX = 8.0  # a match farther from its prediction belongs to something else


def make_motion(method: str, width_px: int, height_px: int) -> ImageMotion | None:
    """Make what finds the image motion by a method, for pictures of one size; None stands for ours.

    Raises
    ------
    KeyError
        Another name than :data:`OURS` or a key of :data:`RIVALS`.
    """
    return None if method == OURS else RIVALS[method](width_px, height_px)


class PhaseCorrelation:
    """Shift of 64 px blocks, half overlapping, by the phase of their spectra, refined below a pixel.

    OpenCV's ``phaseCorrelateIterative`` (Hrazdíra, Druckmüller and Habbal 2020) on blocks under a Hann window; where
    OpenCV is too old to have it, ``phaseCorrelate``.
    """

    _BLOCK = 64

    def __init__(self, width_px: int, height_px: int) -> None:
        self._size = np.array([width_px, height_px])
        self._block = min(self._BLOCK, width_px, height_px)
        half = self._block // 2
        self._corners = _grid(width_px - self._block + 1, height_px - self._block + 1, half, 0).astype(int)
        self._window = np.asarray(cv2.createHanningWindow((self._block, self._block), cv2.CV_32F), np.float32)

    def match(self, first: Picture, second: Picture, predict: Predict, *, far: bool) -> Matches:
        """Match two pictures; see :class:`flow.tracks.ImageMotion`."""
        centres = self._corners + 0.5 * (self._block - 1)
        whole = np.round(_start(first, second, centres, predict, far) - centres)
        ends = self._corners + whole
        good = ((ends >= 0) & (ends + self._block <= self._size)).all(axis=1)  # NaN is False
        structure = _structure(first, centres, self._block)
        textured = _weakest(structure) > _LEAST_GRADIENT**2
        shifts, kept = [], []
        for k in np.flatnonzero(good & textured):
            shift = self._shift(self._cut(first, self._corners[k]), self._cut(second, ends[k].astype(int)))
            if np.hypot(*shift) < self._block / 4:
                shifts.append(shift)
                kept.append(k)
        begin = centres[kept]
        return _matches(begin, begin + whole[kept] + np.reshape(shifts, (-1, 2)), int(textured.sum()))

    def _cut(self, picture: Picture, corner: NDArray[np.int_]) -> Floats:
        x, y = corner
        part = picture[y : y + self._block, x : x + self._block].astype(np.float32)
        return np.asarray((part - part.mean()) * self._window, np.float32)

    def _shift(self, first: Floats, second: Floats) -> tuple[float, float]:
        if hasattr(cv2, "phaseCorrelateIterative"):
            x, y = cv2.phaseCorrelateIterative(first, second)
        else:
            (x, y), _ = cv2.phaseCorrelate(first, second)
        return float(x), float(y)


class DenseFlow:
    """Farneback's polynomial expansion (2003) over the whole picture, read on a grid of 12 px."""

    _STEP, _MARGIN = 12, 16

    def __init__(self, width_px: int, height_px: int) -> None:
        self._size = (width_px, height_px)
        self._points = _grid(width_px, height_px, self._STEP, self._MARGIN)
        columns, rows = np.linspace(0, width_px - 1, 9), np.linspace(0, height_px - 1, 7)
        self._knots = np.stack(np.meshgrid(columns, rows), axis=-1).reshape(-1, 2)
        across, down = np.meshgrid(np.linspace(0, 8, width_px), np.linspace(0, 6, height_px))
        self._across, self._down = across.astype(np.float32), down.astype(np.float32)

    def match(self, first: Picture, second: Picture, predict: Predict, *, far: bool) -> Matches:
        """Match two pictures; see :class:`flow.tracks.ImageMotion`."""
        start = np.nan_to_num(_start(first, second, self._knots, predict, far) - self._knots)
        flow = cv2.remap(start.reshape(7, 9, 2).astype(np.float32), self._across, self._down, cv2.INTER_LINEAR)
        flow = cv2.calcOpticalFlowFarneback(
            first, second, np.ascontiguousarray(flow), pyr_scale=0.5, levels=3 if far else 1, winsize=15, iterations=3,
            poly_n=5, poly_sigma=1.1, flags=cv2.OPTFLOW_USE_INITIAL_FLOW,
        )  # fmt: skip
        textured = _weakest(_structure(first, self._points, 15)) > _LEAST_GRADIENT**2
        begin = self._points[textured]
        x, y = begin.astype(int).T
        end = begin + flow[y, x]
        good = _inside(end, self._size, self._MARGIN)
        return _matches(begin[good], end[good], int(textured.sum()))


class EnhancedCorrelation:
    """One homography for the whole picture that maximises the ECC (Evangelidis and Psarakis 2008)."""

    _STEP, _MARGIN = 24, 12

    def __init__(self, width_px: int, height_px: int) -> None:
        self._size = (width_px, height_px)
        self._points = _grid(width_px, height_px, self._STEP, self._MARGIN)

    def match(self, first: Picture, second: Picture, predict: Predict, *, far: bool) -> Matches:
        """Match two pictures; see :class:`flow.tracks.ImageMotion`."""
        textured = _weakest(_structure(first, self._points, 15)) > _LEAST_GRADIENT**2
        points = self._points[textured]
        start = _start(first, second, self._points, predict, far)
        known = np.isfinite(start).all(axis=1)
        if known.sum() < 4 or len(points) == 0:
            return _matches(points[:0], points[:0], len(points))
        warp, _ = cv2.findHomography(self._points[known], start[known])
        ending = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 30, 1e-4)
        everywhere = np.full(first.shape, 255, np.uint8)
        try:
            _, warp = cv2.findTransformECC(
                first, second, warp.astype(np.float32), cv2.MOTION_HOMOGRAPHY, ending, everywhere, 5
            )
        except cv2.error:  # no convergence
            return _matches(points[:0], points[:0], len(points))
        end = np.asarray(cv2.perspectiveTransform(points[:, None], warp.astype(float))[:, 0], float)
        good = _inside(end, self._size, 0)
        return _matches(points[good], end[good], len(points))


class FeatureHomography:
    """SIFT features (Lowe 2004) that match both ways and agree with one homography to a pixel."""

    _FEATURES = 400

    def __init__(self, width_px: int, height_px: int) -> None:
        self._finder = cv2.SIFT.create(self._FEATURES, contrastThreshold=0.01)
        self._matcher = cv2.BFMatcher(cv2.NORM_L2, crossCheck=True)
        self._last: tuple[Picture, Array, Floats | None] | None = None

    def match(self, first: Picture, second: Picture, predict: Predict, *, far: bool) -> Matches:
        """Match two pictures; see :class:`flow.tracks.ImageMotion`."""
        places, words = self._found(first)
        others, other_words = self._found(second)
        none = _matches(places[:0], places[:0], len(places))
        if words is None or other_words is None:
            return none
        pairs = self._matcher.match(words, other_words)
        begin = places[[pair.queryIdx for pair in pairs]]
        end = others[[pair.trainIdx for pair in pairs]]
        if not far:
            near = np.linalg.norm(predict(begin) - end, axis=1) < _GATE_PX
            begin, end = begin[near], end[near]
        if len(begin) < 8:
            return none
        found, agree = cv2.findHomography(begin, end, cv2.RANSAC, 1.0)
        if found is None:
            return none
        good = np.asarray(agree[:, 0] == 1)
        return _matches(begin[good], end[good], len(places))

    def _found(self, picture: Picture) -> tuple[Array, Floats | None]:
        """Places (N, 2) and descriptors; the second picture of a pair is the first of the next."""
        if self._last is not None and self._last[0] is picture:
            return self._last[1:]
        points, words = self._finder.detectAndCompute(picture, None)
        places = np.array([point.pt for point in points], float).reshape(-1, 2)
        self._last = (picture, places, None if words is None else np.asarray(words, np.float32))
        return self._last[1:]


RIVALS: dict[str, Callable[[int, int], ImageMotion]] = {
    "feature_tracks": LucasKanade,
    "phase_correlation": PhaseCorrelation,
    "dense_flow": DenseFlow,
    "ecc": EnhancedCorrelation,
    "feature_homography": FeatureHomography,
}
"""Other methods by name, made from width and height of the pictures."""


def _start(first: Picture, second: Picture, points: Array, predict: Predict, far: bool) -> Array:
    """Predicted places; without history shifted as a whole to where phase correlation sees the picture."""
    expected = predict(points)
    if far and np.isfinite(expected).any():
        window = cv2.createHanningWindow(first.shape[::-1], cv2.CV_32F)
        shift, _ = cv2.phaseCorrelate(first.astype(np.float32), second.astype(np.float32), window)
        expected = expected + (np.array(shift) - np.nanmedian(expected - points, axis=0))
    return expected


def _structure(picture: Picture, points: Array, window: int) -> Array:
    """Mean gradient products (N, 2, 2) over windows around points, (grey levels/px)^2."""
    gx = cv2.Scharr(picture, cv2.CV_32F, 1, 0, scale=1 / 32)
    gy = cv2.Scharr(picture, cv2.CV_32F, 0, 1, scale=1 / 32)
    x, y = points.astype(int).T
    mean = [cv2.boxFilter(a * b, -1, (window, window))[y, x] for a, b in ((gx, gx), (gx, gy), (gx, gy), (gy, gy))]
    return np.stack(mean, axis=-1).reshape(-1, 2, 2).astype(float)


def _weakest(structure: Array) -> Array:
    return np.asarray(np.linalg.eigvalsh(structure)[:, 0])


def _grid(width_px: int, height_px: int, step: int, margin: int) -> Array:
    x, y = np.meshgrid(np.arange(margin, width_px - margin, step), np.arange(margin, height_px - margin, step))
    return np.column_stack([x.ravel(), y.ravel()]).astype(float)


def _inside(points: Array, size_px: tuple[int, int], margin: int) -> NDArray[np.bool_]:
    return np.asarray(((points >= margin) & (points <= np.array(size_px) - 1 - margin)).all(axis=1))


def _matches(first: Array, second: Array, offered: int) -> Matches:
    covariance = np.broadcast_to(np.eye(2) * _SIGMA_PX**2, (len(first), 2, 2))
    return Matches(first_px=first, second_px=second, covariance_px2=covariance, offered=offered)
