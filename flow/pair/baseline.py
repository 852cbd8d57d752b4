"""How far apart two images are best registered for the speed of the newest row.

The error of an image is a shift of some hundredths of a pixel, whatever lies between two of them: over m intervals it makes an
m-th of the error of speed. What the speed changed by from the middle of that baseline to the row, the accelerometer tells,
less surely the longer that is.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Array: TypeAlias = NDArray[np.float64]

# prior: s, by then what the walk of a low-cost accelerometer (0.01 m/s in a second) leaves is that of a good pair
LONGEST_S = 0.3
"""Longest baseline."""

MOST_PAIRS = 16  # size: pairs, a buffer of images
WORTH = 0.5  # size: share, cost only: a longer baseline is another registration
"""Variance of a row that a longer baseline must leave at most, of what a pair leaves (a sigma of 0.7): else it is not worth its
time."""

_SHARED = 0.75  # of the view, by both images


def choose(
    pairs: Array, shared: Array, whole_m2_s2: float, pair_m2_s2: float, image_m2_s2: float, increment_m2_s2: Array
) -> int:
    """Choose how many pairs a baseline spans; 1 where no longer one is worth its time.

    Parameters
    ----------
    pairs
        (K,), what there is to choose from.
    shared
        (K,), share of the view that both images see.
    whole_m2_s2
        Variance of the row along a level direction by all its errors.
    pair_m2_s2
        The part of that which belongs to the images.
    image_m2_s2
        Variance by the images that a registration of one pair's length would have, by what longer ones have shown.
    increment_m2_s2
        (K,), variance of the change of speed.
    """
    predicted = whole_m2_s2 - pair_m2_s2 + image_m2_s2 / pairs**2 + increment_m2_s2
    predicted = np.where(shared >= _SHARED, predicted, np.inf)
    if not len(pairs) or predicted.min() > WORTH * whole_m2_s2:
        return 1
    return int(pairs[int(np.argmin(predicted))])
