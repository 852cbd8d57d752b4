"""How far apart two images are best registered for the speed of the newest row.

The error of an image is a shift of some hundredths of a pixel, whatever lies between two of them: over m intervals it makes an
m-th of the error of speed. What the speed changed by from the middle of that baseline to the row, the accelerometer tells,
less surely the longer that is.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.inertial_sensors import ACCELEROMETER_BIAS_M_S2, ACCELEROMETER_M

Array: TypeAlias = NDArray[np.float64]

# prior: s, by then what the walk of a low-cost accelerometer (0.01 m/s in a second) leaves is that of a good pair
LONGEST_S = 0.3
"""Longest baseline."""

MOST_PAIRS = 16  # size: pairs, a buffer of images
WORTH = 0.5  # size: share, cost only: a longer baseline is another registration
"""Variance of a row that a longer baseline must leave at most, of what a pair leaves (a sigma of 0.7): else it is not worth its
time."""

_SHARED = 0.75  # of the view, by both images


@dataclass(frozen=True, slots=True, kw_only=True)
class Increment:
    """What is known of the change of speed from the middle of a baseline to a row.

    ``walk_m_s_rts`` is the random walk of the accelerometer's integral, ``change_sigma_m_s2`` the one-sigma of gravity and bias,
    ``turned_rad`` by how much the body has turned since the middle of the time that these were learnt over, and
    ``rate_change_rad_s`` (K,) that of the body's rate to the row from the middle of each baseline.
    """

    walk_m_s_rts: float
    change_sigma_m_s2: float
    turned_rad: float

    def variance(self, interval_s: float, pairs: Array, rate_change_rad_s: Array) -> Array:
        """Variance (K,) along an axis for baselines of so many pairs, m^2/s^2.

        The mean of the integral over the row less that over the baseline weighs white noise of the samples by a
        trapezium: the square of that, integrated, is T (1 - 1 / m)^2 / 3.
        """
        span_s, less = pairs * interval_s, 1 - 1 / pairs
        # The bias turns with the body.
        steady = np.hypot(self.change_sigma_m_s2, ACCELEROMETER_BIAS_M_S2 * self.turned_rad)
        return np.asarray(
            self.walk_m_s_rts**2 * span_s / 3 * less**2
            + (steady * 0.5 * span_s * less) ** 2
            + (ACCELEROMETER_M * rate_change_rad_s) ** 2
        )


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
