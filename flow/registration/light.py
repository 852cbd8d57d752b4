"""How the light changed from one picture to the next, as all blocks see it together.

Each block could tell a brightness gain and offset of its own, and pays for it: on blocks of 16 px the two take a tenth of
what the block knows about its step. Light changes for the picture as a whole, through exposure and a lens that is darker
toward its corners, so that all blocks together know it far better. How far they contradict each other says how much that
is worth: where a codec or a flickering lamp lights each block on its own, next to nothing. A block that contradicts the
others by itself, at the edge of a shadow that moves, is left alone.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.numerics.compiled import compiled
from flow.numerics.least_squares import inverted
from flow.numerics.middle import upper_middle
from flow.registration.equations import about_mid_grey

Array: TypeAlias = NDArray[np.float64]

_ROUNDS = 3
_MOST_TRUST = 10.0  # weight of all against a block's own information; the scatter of a few hundred tells little more
_ALONE = 16.0  # square of the sigmas from which on a block has light of its own


@compiled
def shared_light(
    own: Array, compared: Array, place: Array, pixels: int, hidden: float, variance: float
) -> tuple[Array, Array]:
    """Say what all blocks together know of the gain and offset of each.

    A gain that changes evenly over the picture and one offset, four numbers, are fitted to all blocks, whatever their
    steps are; a block counts the less the farther it is off (Cauchy's weights: Holland and Welsch 1977).

    Parameters
    ----------
    own, compared
        Of :func:`flow.registration.kernels.own_sums` and :func:`flow.registration.comparison.compare`, N blocks.
    place
        (N, 2), where the blocks are; any unit, about the middle.
    pixels
        In a block.
    hidden
        Variance that noise leaves in a smoothed picture.
    variance
        Of the difference of two means over a block.

    Returns
    -------
    Information on gain and offset (N, 3), per pixel: gg, go, oo; and its product with what they are expected to be (N, 2).
    """
    count = len(own)
    told, pull, apart = np.empty((count, 3)), np.empty((count, 2)), np.zeros(count)
    for i in range(count):
        t, tt, x, y, xx, xy, yy, xt, yt, r, xr, yr, tr = about_mid_grey(own[i], compared[i], pixels, hidden)
        square = max(xx * yy - xy * xy, 1e-9)
        gain_x, gain_y = (yy * xt - xy * yt) / square, (xx * yt - xy * xt) / square
        offset_x, offset_y = (yy * x - xy * y) / square, (xx * y - xy * x) / square
        told[i] = (
            max(tt - xt * gain_x - yt * gain_y, 1e-3), t - xt * offset_x - yt * offset_y, max(1 - x * offset_x - y * offset_y, 1e-3)
        )  # fmt: skip
        pull[i] = (tr - xr * gain_x - yr * gain_y, r - xr * offset_x - yr * offset_y)
    belief = np.empty((count, 2))
    for _ in range(_ROUNDS):
        light = _fitted(told, pull, place, 1 / np.maximum(apart, 1.0))
        for i in range(count):
            gg, go, oo = told[i, 0], told[i, 1], told[i, 2]
            gain, offset = light[1] + light[2] * place[i, 0] + light[3] * place[i, 1], light[0]
            belief[i] = (gg * gain + go * offset, go * gain + oo * offset)
            g, o = pull[i, 0] - belief[i, 0], pull[i, 1] - belief[i, 1]
            apart[i] = (oo * g * g - 2 * go * g * o + gg * o * o) / max(gg * oo - go * go, 1e-6) / variance
    # The median of chi-square with two degrees of freedom is 2 ln 2.
    scale = upper_middle(apart) / (2 * np.log(2))
    trust = min(1 / max(scale - 1, 1e-6), _MOST_TRUST)
    for i in range(count):
        by = trust if apart[i] < _ALONE * max(scale, 1.0) else 0.0
        told[i] *= by
        belief[i] *= by
    return told, belief


@compiled
def _fitted(told: Array, pull: Array, place: Array, weight: Array) -> Array:
    """Weighted least squares (4,): the offset at mid grey, the gain in the middle, its change along x and y."""
    square, product = 1e-9 * np.eye(4), np.zeros(4)
    for i in range(len(told)):
        one, x, y = weight[i], weight[i] * place[i, 0], weight[i] * place[i, 1]
        gg, go = told[i, 0], told[i, 1]
        square[0, 0] += one * told[i, 2]
        square[0, 1] += one * go
        square[0, 2] += x * go
        square[0, 3] += y * go
        square[1, 1] += one * gg
        square[1, 2] += x * gg
        square[1, 3] += y * gg
        square[2, 2] += x * place[i, 0] * gg
        square[2, 3] += x * place[i, 1] * gg
        square[3, 3] += y * place[i, 1] * gg
        product[0] += one * pull[i, 1]
        product[1] += one * pull[i, 0]
        product[2] += x * pull[i, 0]
        product[3] += y * pull[i, 0]
    for j in range(3):
        for k in range(j + 1, 4):
            square[k, j] = square[j, k]
    return np.asarray(inverted(square) @ product)
