"""From the sums over a block to its step: a few numbers a block, compiled as the loops over pixels are."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.numerics.compiled import compiled

Array: TypeAlias = NDArray[np.float64]

_MID_GREY = 128.0


@compiled
def unexplained(own: Array, compared: Array, pixels: int) -> Array:
    """Variance (N,), grey levels^2, that neither a step nor an offset nor a gain of each block's own explains.

    From the sums of :func:`flow.registration.kernels.own_sums` and :func:`flow.registration.comparison.compare`.
    """
    left = np.empty(len(own))
    own, compared = own / pixels, compared / pixels
    for i in range(len(own)):
        _, t, tt, x, y, xx, xy, yy, xt, yt = own[i]
        r, rr, xr, yr, tr = compared[i]
        spread = max(tt - t * t, 1e-3)  # a level block knows no gain
        xt, yt, tr = xt - x * t, yt - y * t, tr - t * r
        xx, xy, yy = xx - x * x - xt * xt / spread, xy - x * y - xt * yt / spread, yy - y * y - yt * yt / spread
        a, b = x * r + xt * tr / spread - xr, y * r + yt * tr / spread - yr
        explained = (yy * a * a - 2 * xy * a * b + xx * b * b) / max(xx * yy - xy * xy, 1e-9)
        # The noise of the one picture is in t as well: on weak texture a gain explains it, all of it where there is none.
        hidden = min(max(-tr / spread, 0.0), 1.0)
        left[i] = (rr - r * r - tr * tr / spread - explained) * pixels / (pixels - 4) * 2 / (2 - hidden)
    return left


@compiled
def steps(own: Array, compared: Array, pixels: int, hidden: float, known: Array, belief: Array) -> tuple[Array, Array]:
    """Eliminate brightness gain and offset from the sums of the two loops, ``own_sums`` and ``compare``.

    Parameters
    ----------
    hidden
        Variance that noise leaves in a smoothed picture.
    known, belief
        Of :func:`flow.registration.light.shared_light`: information (N, 3) on gain and offset, and its product with what
        they are believed to be (N, 2); zeros leave them free.

    Returns
    -------
    The equations of each step by the pixel: ``normal`` (N, 3), xx, xy, yy, times the step is ``pull`` (N, 2).
    """
    normal, pull = np.empty((len(own), 3)), np.empty((len(own), 2))
    for i in range(len(own)):
        t, tt, x, y, xx, xy, yy, xt, yt, r, xr, yr, tr = about_mid_grey(own[i], compared[i], pixels, hidden)
        gg, go, oo, g, o = tt + known[i, 0], t + known[i, 1], 1 + known[i, 2], tr + belief[i, 0], r + belief[i, 1]
        square = gg * oo - go * go
        # Gain and offset of the least squares for a step of zero, and their change with a step along x and y.
        gain, offset = (oo * g - go * o) / square, (gg * o - go * g) / square
        gain_x, offset_x = (oo * xt - go * x) / square, (gg * x - go * xt) / square
        gain_y, offset_y = (oo * yt - go * y) / square, (gg * y - go * yt) / square
        normal[i] = (
            xx - xt * gain_x - x * offset_x, xy - yt * gain_x - y * offset_x, yy - yt * gain_y - y * offset_y
        )  # fmt: skip
        # The other picture less this one is minus slope times step: the pull is the negative of their product.
        pull[i] = (xt * gain + x * offset - xr, yt * gain + y * offset - yr)
    return normal, pull


@compiled
def about_mid_grey(
    own: Array, compared: Array, pixels: int, hidden: float
) -> tuple[float, float, float, float, float, float, float, float, float, float, float, float, float]:
    """Means over a block: t, t^2, gx, gy, gx^2, gx gy, gy^2, gx t, gy t, r, gx r, gy r, t r, with t from mid grey on.

    So that a gain means the same on all blocks. Noise, whose variance is ``hidden``, is taken out of t^2 and of t r: it
    would pass for contrast that the other picture does not have. At least half the contrast stays: a level block knows no
    gain.
    """
    level = own[0] / pixels - _MID_GREY
    t, tt, x, y = own[1] / pixels, own[2] / pixels, own[3] / pixels, own[4] / pixels
    r, tr = compared[0] / pixels, compared[4] / pixels + hidden
    contrast = tt - t * t
    t += level
    tt = t * t + max(contrast - hidden, 0.5 * contrast, 1e-3)
    return (
        t, tt, x, y, own[5] / pixels, own[6] / pixels, own[7] / pixels, own[8] / pixels + level * x,
        own[9] / pixels + level * y, r, compared[2] / pixels, compared[3] / pixels, tr + level * r,
    )  # fmt: skip


@compiled
def solved(normal: Array, pull: Array, own: float, least: float, variance: float) -> tuple[Array, Array, Array, Array]:
    """Solve for the steps.

    Noise adds ``own`` to the square slope of a block, along either direction, but not to what its texture pulls: left
    in, it would shorten the step. Along a direction without texture (what is left counts as ``least``) the step is
    meaningless, and its variance says so.

    Parameters
    ----------
    normal, pull
        Of :func:`steps`.
    own, least
        Square slope, (grey levels/px)^2.
    variance
        Of a step for a square slope of 1 without noise.

    Returns
    -------
    Steps (N, 2), px, their covariance (N, 2, 2), and the square slopes (N,) along the weak and the strong direction.
    """
    count = len(normal)
    step, covariance, weak, strong = np.empty((count, 2)), np.empty((count, 2, 2)), np.empty(count), np.empty(count)
    for i in range(count):
        xx, xy, yy = normal[i]
        middle, apart = 0.5 * (xx + yy), np.hypot(0.5 * (xx - yy), xy)
        weak[i], strong[i] = middle - apart, middle + apart
        through, aside = max(strong[i] - own, least + 1e-6), max(weak[i] - own, least + 1e-6)
        # The projection on the strong direction; where none is stronger nothing, and all of it is aside.
        scale = 1 / max(2 * apart, 1e-12)
        p, q, r = (xx - weak[i]) * scale, xy * scale, (yy - weak[i]) * scale
        along_x, along_y = p * pull[i, 0] + q * pull[i, 1], q * pull[i, 0] + r * pull[i, 1]
        step[i] = (
            along_x / through + (pull[i, 0] - along_x) / aside,
            along_y / through + (pull[i, 1] - along_y) / aside,
        )
        a, b = variance * strong[i] / through**2, variance * max(weak[i], 0.0) / aside**2
        covariance[i, 0, 0], covariance[i, 1, 1] = b + p * (a - b), b + r * (a - b)
        covariance[i, 0, 1] = covariance[i, 1, 0] = q * (a - b)
    return step, covariance, weak, strong


@compiled
def alikeness(own: Array, compared: Array, pixels: int) -> Array:
    """Correlation (N,) of each block with what it is compared with, from the same sums as :func:`unexplained`."""
    correlation = np.empty(len(own))
    for i in range(len(own)):
        t, r = own[i, 1] / pixels, compared[i, 0] / pixels
        contrast = own[i, 2] / pixels - t * t
        together = contrast + compared[i, 4] / pixels - t * r
        others = 2 * together - contrast + compared[i, 1] / pixels - r * r
        correlation[i] = together / np.sqrt(max(contrast * others, 1e-9))
    return correlation
