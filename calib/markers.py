"""Paints the markers of a charuco board over, so that they do not pull at the corners beside them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

Grey: TypeAlias = NDArray[np.uint8]

# Markers fill 0.7 to 0.8 of their square (common practice): grown by this they stay inside it, and the blur of their
# edges lies inside the paint.
_GROWN = 1.15


def without_markers(grey: Grey, markers: Sequence[NDArray[np.float64]]) -> Grey:
    """Fill each marker, and a little around it, with the white of its own square.

    Parameters
    ----------
    grey
        (H, W) picture.
    markers
        The four corners, (4, 2) px, of each marker.

    Returns
    -------
    A picture in which the corners between marked squares look like those of a chessboard.
    """
    painted = grey.copy()
    for marker in markers:
        middle = marker.mean(axis=0)
        _fill(painted, grey, middle + _GROWN * (marker - middle))
    return painted


def _fill(painted: Grey, grey: Grey, quad: NDArray[np.float64]) -> None:
    x0, y0 = np.maximum(np.floor(quad.min(axis=0)).astype(int), 0)
    x1, y1 = np.ceil(quad.max(axis=0)).astype(int) + 1
    patch = grey[y0:y1, x0:x1]
    mask = np.zeros(patch.shape, np.uint8)
    if patch.size:
        cv2.fillConvexPoly(mask, np.rint((quad - [x0, y0]) * 16).astype(np.int32), 1, shift=4)
    inside = patch[mask > 0].astype(int)
    if len(inside):
        # White bits and rim are lighter than the middle between the extremes; their median is the paper's grey.
        light = inside[2 * inside >= inside.min() + inside.max()]
        painted[y0:y1, x0:x1][mask > 0] = np.uint8(np.median(light))
