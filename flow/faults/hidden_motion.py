"""Ground that moves on behind a picture that seems to stand still.

Dirt or bad pixels over a weakly textured floor: what is matched stands still, all in agreement, and is taken for the
ground. But between it the picture has become another one.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.numerics.compiled import compiled
from flow.numerics.middle import upper_median
from flow.tracks import Matches, Picture

Array: TypeAlias = NDArray[np.float64]

# size: matches and pairs, where so many are found every fourth pair is looked at, unless one showed it
_MANY, _EVERY = 120, 4
_STILL_PX = 0.8
_STEP_PX, _REACH_PX, _BORDER_PX = 5, 6, 8  # size: px, means of 3 x 3 px are apart by so much
_WHITE = 0.16  # size: share, (1/9 + 1/36) / (8/9): what white noise has in detail of what 3 x 3 means leave out
_STANDS_OUT = 2.0  # rate: 1 in 20 places two-sided, two sigmas: that is the dirt itself
_LEAST_LEVELS, _LEAST_SHARE = 1.0, 0.3  # of detail that is no noise
_ALIKE = 0.5  # prior: correlation, halfway from other ground (0) to ground moved by less than _STILL_PX (0.9 and more)
_MEDIAN = 0.6745  # source: sigmas, median of a Gaussian's size (Abramowitz and Stegun 26.2)


class HiddenMotion:
    """Watches pairs of pictures that seem to stand still."""

    def __init__(self) -> None:
        self._wait = 0

    def shown(self, first: Picture, second: Picture, matches: Matches, used: NDArray[np.bool_]) -> bool:
        """Whether two pictures (H, W) differ all over although the matches ``used`` (N,) hardly moved."""
        if not used.any():
            return False
        squared = np.square(matches.second_px - matches.first_px).sum(axis=1)[used]
        if upper_median(squared) > _STILL_PX**2:
            return False
        self._wait -= 1
        if len(matches) > _MANY and self._wait > 0:
            return False
        differ = _differ(_detail(first), _detail(second))
        self._wait = 0 if differ else _EVERY
        return differ


def _differ(first: Array, second: Array) -> bool:
    (one, finer), (two, _) = first, second
    sigma = [upper_median(np.abs(detail)) / _MEDIAN for detail in (one, two)]
    noise = _WHITE * (upper_median(np.abs(finer)) / _MEDIAN) ** 2
    texture = sigma[0] * sigma[1] - noise
    if texture < max(_LEAST_LEVELS**2, _LEAST_SHARE * sigma[0] * sigma[1]):
        return False
    ground = (np.abs(one) < _STANDS_OUT * sigma[0]) & (np.abs(two) < _STANDS_OUT * sigma[1])
    one, two = one[ground], two[ground]
    size = float(np.sqrt(np.mean(one * one) * np.mean(two * two))) - noise
    return float(np.mean(one * two)) < _ALIKE * size


@compiled
def _detail(picture: Picture) -> Array:
    """Detail of a picture at places all over it (2, N): means of 3 x 3 px against those around, and what is finer."""
    down, across = picture.shape[0] - 2 * _BORDER_PX, picture.shape[1] - 2 * _BORDER_PX
    rows, columns = max((down - 1) // _STEP_PX + 1, 0), max((across - 1) // _STEP_PX + 1, 0)
    detail = np.empty((2, rows * columns))
    for r in range(rows):
        for c in range(columns):
            y, x = _BORDER_PX + r * _STEP_PX, _BORDER_PX + c * _STEP_PX
            own = _mean(picture, y, x)
            around = _mean(picture, y - _REACH_PX, x) + _mean(picture, y + _REACH_PX, x)
            around += _mean(picture, y, x - _REACH_PX) + _mean(picture, y, x + _REACH_PX)
            detail[0, r * columns + c], detail[1, r * columns + c] = own - 0.25 * around, float(picture[y, x]) - own
    return detail


@compiled
def _mean(picture: Picture, y: int, x: int) -> float:
    total = 0.0
    for row in range(y - 1, y + 2):
        for column in range(x - 1, x + 2):
            total += float(picture[row, column])
    return total / 9
