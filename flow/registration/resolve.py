"""From the sums over all blocks to their steps, in one compiled call."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.numerics.compiled import compiled
from flow.numerics.middle import upper_middle
from flow.registration.equations import alikeness, solved, steps, unexplained
from flow.registration.light import shared_light

Array: TypeAlias = NDArray[np.float64]

_ROUNDING = 1 / 12  # variance of rounding to whole grey levels (Bennett 1948)


@compiled
def resolved(
    own: Array, compared: Array, place: Array, pixels: int, noise_left: float, noise_in_slope: float, weakest: float
) -> tuple[Array, float, Array, Array, Array, Array, Array]:
    """Find the noise of two pictures, the light between them, and the step of each block.

    Parameters
    ----------
    own, compared
        Of :func:`flow.registration.kernels.own_sums` and :func:`flow.registration.comparison.compare`, N blocks.
    place
        (N, 2), where the blocks are; any unit, about the middle.
    pixels
        In a block.
    noise_left, noise_in_slope
        What is left of white noise of variance 1 in a smoothed picture, and in a slope of it.
    weakest
        Square slope that counts along a direction without texture, in units of what noise leaves there.

    Returns
    -------
    Of each block the variance left over (N,); the noise of a picture, grey levels^2; then of each block its step (N, 2),
    px, the covariance (N, 2, 2), the square slopes (N,) along the weak and the strong direction, and the correlation (N,).
    """
    left = unexplained(own, compared, pixels)
    noise = max(upper_middle(left) / (2 * noise_left), _ROUNDING)
    least, hidden, variance = noise * noise_in_slope, noise * noise_left, 2 * noise / pixels
    known, belief = shared_light(own, compared, place, pixels, hidden, variance)
    normal, pull = steps(own, compared, pixels, hidden, known, belief)
    step, covariance, weak, strong = solved(normal, pull, least, weakest * least, variance)
    return left, noise, step, covariance, weak, strong, alikeness(own, compared, pixels)
