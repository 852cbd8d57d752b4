"""How much the light over the ground changed between two images, against what else changes their brightness.

The logarithm of brightness is that of the light plus that of the ground's reflectance. Along the motion of the ground
the reflectance cancels; what is left, smoothed, is the change of the light. Exposure changes it by a constant; the lens's
shading, at another place of the image, and the craft's own shadow close to the ground by a surface of second order;
stray light in the lens and a sensor's black level by an offset, which counts in dark places. A registration error multiplies
the slope of the brightness; flat places are hardly touched by it. A place counts by the light that it sends back: what a
dark one shows is gloss and stray light.
"""

from __future__ import annotations

from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from flow.pair.geometry import PairView
from flow.pair.match_noise import RELIEF
from flow.tracks import Picture

Array: TypeAlias = NDArray[np.float64]

# size: px, one-sigma of the smoothing; places twice that apart are next to independent of each other
_SMOOTHING_PX, _APART_PX = 3.0, 6
_MOST_ACROSS = 60  # size: places, in a row of them; neighbours closer than the smoothing tell no more
# size: share, of white noise's sigma that a Gaussian leaves (closed form)
_NOISE_LEFT = 1 / (2 * np.sqrt(np.pi) * _SMOOTHING_PX)
_CODEC_PX = 0.05  # prior: px one-sigma, by which a video codec shifts whole images (measured: 0.05 to 0.07 at crf 23)
_DARK_LEVELS = 4.0  # size: levels, added to brightness: below, a logarithm is noise
_ROUNDING = 1e-3  # prior: share, relative error of light that no sensor is free of, its gain from image to image
_FEWEST = 40  # size: places, six for each of the seven numbers of the trend
_ROUNDS = 4  # size: rounds, of reweighting; 95 % of pairs are within 3 % of what eight rounds give
_EITHER = 1e-9  # size: share of the normal equations' trace, far above rounding and far below what a number of the trend is told by
_NORMAL_BY_MEDIAN = (
    1.4826  # source: ratio, sigma of a Gaussian by its median absolute deviation (Huber and Ronchetti 2009)
)


def light_change(first: Picture, second: Picture, view: PairView, velocity_m_s: Array, noise_levels: float) -> float:
    """Spread of the light's change over the view, in units of what noise, relief and codec leave; about 1 in steady light.

    Parameters
    ----------
    first, second
        (H, W) uint8.
    view
        Their rotation and ground plane.
    velocity_m_s
        (3,) velocity of the body, camera axes.
    noise_levels
        One-sigma of a pixel's noise, grey levels.
    """
    height, width = first.shape
    apart_px = max(_APART_PX, width / _MOST_ACROSS)
    x, y = (np.arange(_APART_PX, size - _APART_PX, apart_px) for size in (float(width), float(height)))
    places = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    moved = view.predict(places, velocity_m_s)
    seen = ((moved >= _APART_PX) & (moved < np.array([width, height]) - _APART_PX)).all(axis=1)  # NaN is not
    places, moved = places[seen], moved[seen]
    if len(places) < _FEWEST:
        return 0.0
    before, after = _smoothed(first), _smoothed(second)
    slope = np.hypot(*(_at(_slope(before, k), places) for k in (0, 1)))
    brightness = _at(before, places)
    astray_px = _CODEC_PX + RELIEF * np.linalg.norm(moved - places, axis=1)
    noise = np.sqrt(2) * noise_levels * _NOISE_LEFT / np.exp(brightness)
    sigma = np.sqrt(noise**2 + (slope * astray_px) ** 2 + _ROUNDING**2)
    left = _without_trend(_at(after, moved) - brightness, places, np.exp(-brightness), sigma)
    return float(_NORMAL_BY_MEDIAN * _weighted_median(np.abs(left) / sigma, np.exp(brightness)))


def _smoothed(picture: Picture) -> NDArray[np.float32]:
    smooth = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), _SMOOTHING_PX)
    return np.asarray(np.log(smooth + np.float32(_DARK_LEVELS)), np.float32)


def _slope(values: NDArray[np.float32], axis: int) -> NDArray[np.float32]:
    return np.asarray(cv2.Sobel(values, cv2.CV_32F, 1 - axis, axis, scale=1 / 8), np.float32)


def _at(values: NDArray[np.float32], places: Array) -> Array:
    columns, rows = places.astype(np.float32).T[:, None]
    return np.asarray(cv2.remap(values, columns, rows, cv2.INTER_LINEAR)[0], np.float64)


def _without_trend(change: Array, places: Array, by_offset: Array, sigma: Array) -> Array:
    """Give what a surface of second order over the image and an offset leave, fitted by least absolute residuals."""
    x, y = ((places - places.mean(axis=0)) / places.std(axis=0)).T
    design = np.column_stack([np.ones(len(x)), x, y, x * x, x * y, y * y, by_offset / by_offset.mean()])
    weight, left = sigma**-2.0, change
    for _ in range(_ROUNDS):
        # By the normal equations: a factorisation of so many rows wakes threads that then spin for a tenth of a second.
        square = design.T @ (design * weight[:, None])
        # Even brightness does not tell an offset from a gain: either will do.
        trend = np.linalg.solve(square + _EITHER * np.trace(square) * np.eye(len(square)), design.T @ (change * weight))
        left = change - design @ trend
        weight = 1 / (np.maximum(np.abs(left), sigma) * sigma)
    return np.asarray(left, np.float64)


def _weighted_median(values: Array, weight: Array) -> float:
    order = np.argsort(values)
    reached = np.cumsum(weight[order])
    return float(values[order[np.searchsorted(reached, 0.5 * reached[-1])]])
