"""Sun on ripples and wet leaves: small spots at full scale that flash at new places in every picture.

They hide the ground under them, and their edges pull whatever block they touch. Filled with what is around them they do
neither: the ground between them is as good as ever. Small bright things that lie on the ground, pebbles or petals, move
with it from picture to picture and are left alone.
"""

from __future__ import annotations

from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from flow.tracks import Picture

Spots: TypeAlias = NDArray[np.uint8]

_FULL = 235  # source: grey levels, ITU-R BT.601 ends its range here
_NEAR, _APART = 195, 0.7  # a glint is far brighter than its ground: next to none of its pixels is between these levels
_LEAST_SHARE, _MOST_SHARE = 0.001, 0.4  # of the picture
_FEWEST = 5  # size: spots, fewer are matched one by one
_LARGEST_SHARE, _LONGEST_SHARE = 0.006, 0.12  # of the picture's area and height: more is no glint
_HALO_PX = 3  # size: px, around a spot by the blur of the lens
_MOST_HIDDEN = 0.42  # of the picture, halo included: what is then left to see is not worth it
_FILL_PX = 3.0  # size: px one-sigma, as wide as the halo that is filled
_MOVES_SHARE = 0.25  # prior: share of the image, that ground moves at most: blocks need the rest in common
_FOLLOW = 0.5  # share of the spots, beyond chance, that must be found again, all moved alike, to lie on the ground


class GlintFilter:
    """Gives pairs of pictures without glints, the very same where there are none."""

    def __init__(self) -> None:
        self._known: list[tuple[Picture, Spots | None, Picture | None]] = []  # the last two: spots, and filled

    def pair(self, first: Picture, second: Picture) -> tuple[Picture, Picture]:
        """Give both pictures (H, W), filled where they hold spots that do not lie on the ground."""
        spots = self._spots(first), self._spots(second)
        if spots[0] is None and spots[1] is None:
            return first, second
        if spots[0] is not None and spots[1] is not None and _lie_on_ground(spots[0], spots[1]):
            return first, second
        return self._filled(first), self._filled(second)

    def _spots(self, picture: Picture) -> Spots | None:
        for known, spots, _ in self._known:
            if known is picture:
                return spots
        found = spots_of(picture)
        self._known = [*self._known[-1:], (picture, found, None)]
        return found

    def _filled(self, picture: Picture) -> Picture:
        for k, (known, spots, filled) in enumerate(self._known):
            if known is picture and spots is not None:
                filled = _fill(picture, spots) if filled is None else filled
                self._known[k] = known, spots, filled
                return filled
        return picture


def spots_of(picture: Picture) -> Spots | None:
    """Mark (H, W) small spots at full scale with their halo, 1 there and 0 elsewhere.

    None where there are next to none, or so many that little else is seen.
    """
    bright = picture >= _FULL
    share = np.count_nonzero(bright) / picture.size
    if not _LEAST_SHARE <= share <= _MOST_SHARE:
        return None
    if np.count_nonzero(bright) < _APART * np.count_nonzero((picture >= _NEAR) & ~bright):
        return None  # bright ground, overexposed here and there
    _, labels, stats, _ = cv2.connectedComponentsWithStats(bright.astype(np.uint8))
    longest = stats[:, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]].max(axis=1)
    small = (stats[:, cv2.CC_STAT_AREA] <= max(_LARGEST_SHARE * picture.size, 9)) & (
        longest <= max(_LONGEST_SHARE * picture.shape[0], 3)
    )
    small[0] = False  # the rest of the picture
    if np.count_nonzero(small) < _FEWEST:
        return None
    halo = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * _HALO_PX + 1, 2 * _HALO_PX + 1))
    spots = np.asarray(cv2.dilate(small[labels].astype(np.uint8), halo), np.uint8)
    return spots if spots.mean() <= _MOST_HIDDEN else None


def _lie_on_ground(first: Spots, second: Spots) -> bool:
    """Whether most spots are found again when all are moved by the same."""
    both = [
        cv2.resize(spots.astype(np.float32), None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        for spots in (first, second)
    ]
    margin = [int(_MOVES_SHARE * size) for size in both[0].shape]
    inner = both[0][margin[0] : -margin[0], margin[1] : -margin[1]]
    weight = float(np.square(inner).sum())
    if weight < 1:
        return False
    together = float(cv2.matchTemplate(both[1], inner, cv2.TM_CCORR).max()) / weight
    by_chance = float(both[1].mean())
    return together - by_chance > _FOLLOW * (1 - by_chance)


def _fill(picture: Picture, spots: Spots) -> Picture:
    """Fill spots with the mean of what is around them, weighted by distance."""
    kept = (1 - spots).astype(np.float32)
    around = cv2.GaussianBlur(kept * picture, (0, 0), _FILL_PX)
    weight = cv2.GaussianBlur(kept, (0, 0), _FILL_PX)
    mean = np.divide(around, weight, out=np.full_like(around, picture.mean()), where=weight > 1e-3)
    return np.where(spots > 0, np.rint(mean), picture).astype(np.uint8)
