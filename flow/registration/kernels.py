"""The two loops over every pixel, compiled: a block's own sums, and its comparison with another picture.

Pictures are float32, smoothed; the top left pixel of block b is ``corners[b]`` (column, row).
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.compiled import compiled
from flow.registration.filters import PHASES, TAPS

Array: TypeAlias = NDArray[np.float64]
Floats: TypeAlias = NDArray[np.float32]

_BEFORE = TAPS // 2 - 1  # taps left of the pixel that a place follows
_SLACK = 4  # rows that a block's columns may lie apart
_ZERO = np.float32(0)


@compiled
def own_sums(picture: Floats, slope_x: Floats, slope_y: Floats, corners: NDArray[np.int64], size: int) -> Array:
    """Sum over each block (N, 9): t, t^2, gx, gy, gx^2, gx gy, gy^2, gx t, gy t.

    ``t`` is the picture's value less that of the block's top left pixel, ``gx`` and ``gy`` its slopes.
    """
    sums = np.empty((len(corners), 9))
    for b in range(len(corners)):
        left, top = corners[b, 0], corners[b, 1]
        level = picture[top, left]
        t, tt, x, y, xx, xy, yy, xt, yt = _ZERO, _ZERO, _ZERO, _ZERO, _ZERO, _ZERO, _ZERO, _ZERO, _ZERO
        for row in range(top, top + size):
            own = picture[row, left : left + size]
            along, down = slope_x[row, left : left + size], slope_y[row, left : left + size]
            for i in range(size):
                value, gx, gy = own[i] - level, along[i], down[i]
                t += value
                tt += value * value
                x += gx
                y += gy
                xx += gx * gx
                xy += gx * gy
                yy += gy * gy
                xt += gx * value
                yt += gy * value
        sums[b] = (t, tt, x, y, xx, xy, yy, xt, yt)
    return sums


@compiled
def compare(
    picture: Floats,
    slope_x: Floats,
    slope_y: Floats,
    corners: NDArray[np.int64],
    size: int,
    other: Floats,
    place: Array,
    stretch: Array,
    weights: Floats,
) -> Array:
    """Sum over each block (N, 5): r, r^2, gx r, gy r, t r, where r is the other picture's value less this one's.

    Parameters
    ----------
    place
        (N, 2), where the block's middle is expected in ``other``.
    stretch
        (N, 2, 2), how a step in a block maps to a step in ``other``; near the identity.
    weights
        :func:`flow.registration.filters.interpolation`.

    Returns
    -------
    NaN for a block that would be read beyond the border of ``other``.

    Notes
    -----
    The other picture is interpolated along rows, each row of the block with its own fraction of a pixel, and the
    result along columns, each column with its own. A shear is thereby followed exactly to first order; what remains of
    the stretch, and of the fraction between two phases, is taken from the slopes (Taylor).
    """
    sums = np.full((len(corners), 5), np.nan)
    along = np.empty((size + TAPS + _SLACK - 1, size), np.float32)
    left_x = np.empty(size + TAPS + _SLACK - 1, np.float32)
    down = np.empty((TAPS + _SLACK, size), np.float32)
    left_y = np.empty(size, np.float32)
    value = np.empty(size, np.float32)
    half = 0.5 * (size - 1)
    for b in range(len(corners)):
        x, y = place[b, 0] - half, place[b, 1] - half
        by_row, by_column = stretch[b, 0, 1], stretch[b, 1, 0]
        wide, lean = abs(by_row) * (half + TAPS), abs(by_column) * half
        top = int(np.floor(y - lean)) - _BEFORE
        taps = int(np.floor(y + lean)) - int(np.floor(y - lean)) + TAPS + 1  # a phase may round up to the next row
        last = int(np.floor(x + wide)) + size + TAPS - _BEFORE  # ... or column
        inside = x - wide >= _BEFORE + 1 and last <= other.shape[1]
        if not (inside and top >= 0 and top + size + taps - 1 <= other.shape[0] and taps <= len(down)):
            continue
        for k in range(size + taps - 1):
            at = x + by_row * (top + k - place[b, 1])
            column, phase, left_x[k] = _split(at)
            w, source, out = (
                weights[phase],
                other[top + k, column - _BEFORE : column - _BEFORE + size + TAPS - 1],
                along[k],
            )
            w0, w1, w2, w3, w4, w5, w6, w7 = w[0], w[1], w[2], w[3], w[4], w[5], w[6], w[7]
            for i in range(size):
                out[i] = (
                    source[i] * w0 + source[i + 1] * w1 + source[i + 2] * w2 + source[i + 3] * w3
                    + source[i + 4] * w4 + source[i + 5] * w5 + source[i + 6] * w6 + source[i + 7] * w7
                )  # fmt: skip
        # Columns may begin at different rows; all are summed over the rows of all, with weights of zero where they end.
        down[:] = 0
        for i in range(size):
            row, phase, left_y[i] = _split(y + by_column * (i - half))
            shift = row - _BEFORE - top
            for k in range(TAPS):
                down[shift + k, i] = weights[phase, k]
        wider, higher = np.float32(stretch[b, 0, 0] - 1), np.float32(stretch[b, 1, 1] - 1)
        column, row = corners[b, 0], corners[b, 1]
        level = picture[row, column]
        r, rr, xr, yr, tr = _ZERO, _ZERO, _ZERO, _ZERO, _ZERO
        for j in range(size):
            _weigh(along[j : j + taps], down[:taps], value)
            rest = left_x[j + taps // 2]
            rise = higher * np.float32(j - half)
            own = picture[row + j, column : column + size]
            gx = slope_x[row + j, column : column + size]
            gy = slope_y[row + j, column : column + size]
            for i in range(size):
                off_x = rest + wider * np.float32(i - half)
                miss = value[i] - own[i] + gx[i] * off_x + gy[i] * (left_y[i] + rise)
                r += miss
                rr += miss * miss
                xr += gx[i] * miss
                yr += gy[i] * miss
                tr += (own[i] - level) * miss
        sums[b] = (r, rr, xr, yr, tr)
    return sums


@compiled
def _weigh(values: Floats, weights: Floats, out: Floats) -> None:
    """Sum of the rows of ``values``, each element with its own weight."""
    for i in range(len(out)):
        out[i] = values[0, i] * weights[0, i]
    for k in range(1, len(values)):
        for i in range(len(out)):
            out[i] += values[k, i] * weights[k, i]


@compiled
def steps(own: Array, compared: Array, pixels: int) -> tuple[Array, Array, Array]:
    """Eliminate brightness offset and gain from the sums of :func:`own_sums` and :func:`compare`.

    Returns
    -------
    The equations of each step by the pixel, ``normal`` (N, 3): xx, xy, yy, times the step is ``pull`` (N, 2), and what
    no step explains: its variance (N,), grey levels^2.
    """
    normal, pull, left = np.empty((len(own), 3)), np.empty((len(own), 2)), np.empty(len(own))
    for i in range(len(own)):
        t, tt, x, y, xx, xy, yy, xt, yt = own[i] / pixels
        r, rr, xr, yr, tr = compared[i] / pixels
        spread = max(tt - t * t, 1e-3)  # a level block knows no gain
        xt, yt, tr = xt - x * t, yt - y * t, tr - t * r
        xx, xy, yy = xx - x * x - xt * xt / spread, xy - x * y - xt * yt / spread, yy - y * y - yt * yt / spread
        # The other picture less this one is minus slope times step: the pull is the negative of their product.
        a, b = x * r + xt * tr / spread - xr, y * r + yt * tr / spread - yr
        explained = (yy * a * a - 2 * xy * a * b + xx * b * b) / max(xx * yy - xy * xy, 1e-9)
        normal[i] = (xx, xy, yy)
        pull[i] = (a, b)
        # The noise of the one picture is in t as well: on weak texture a gain explains it, all of it where there is none.
        hidden = min(max(-tr / spread, 0.0), 1.0)
        left[i] = (rr - r * r - tr * tr / spread - explained) * pixels / (pixels - 4) * 2 / (2 - hidden)
    return normal, pull, left


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
        angle = 0.5 * np.arctan2(2 * xy, xx - yy)  # of the strong direction
        x, y = np.cos(angle), np.sin(angle)
        through, aside = max(strong[i] - own, least + 1e-6), max(weak[i] - own, least + 1e-6)
        along, across = (x * pull[i, 0] + y * pull[i, 1]) / through, (x * pull[i, 1] - y * pull[i, 0]) / aside
        step[i] = (x * along - y * across, y * along + x * across)
        a, b = variance * strong[i] / through**2, variance * max(weak[i], 0.0) / aside**2
        covariance[i, 0, 0], covariance[i, 1, 1] = x * x * a + y * y * b, y * y * a + x * x * b
        covariance[i, 0, 1] = covariance[i, 1, 0] = x * y * (a - b)
    return step, covariance, weak, strong


@compiled
def sheet(place: Array, rows: Array, columns: Array) -> tuple[Array, Array]:
    """Differentiate a map of the picture given on a grid.

    Parameters
    ----------
    place
        (N, 2), the map at the points of the grid, row by row.
    rows, columns
        Where the grid's rows and columns are, px.

    Returns
    -------
    Its derivative (N, 2, 2) by column and row, and the sum of its two second derivatives (N, 2), by central differences;
    at the border from the neighbour inside.
    """
    down, across = len(rows), len(columns)
    slope, bend = np.empty((down * across, 2, 2)), np.zeros((down * across, 2))
    for r in range(down):
        for c in range(across):
            b = r * across + c
            for k in range(2):
                first, second = _along(place[:, k], r * across, 1, c, columns)
                slope[b, k, 0] = first
                bend[b, k] += second
                first, second = _along(place[:, k], c, across, r, rows)
                slope[b, k, 1] = first
                bend[b, k] += second
    return slope, bend


@compiled
def _along(values: Array, begin: int, stride: int, at: int, places: Array) -> tuple[float, float]:
    """First and second derivative along a line of the grid, at its point number ``at``."""
    if len(places) < 3:
        return (values[begin + stride] - values[begin]) / (places[1] - places[0]), 0.0
    middle = min(max(at, 1), len(places) - 2)
    one, two = places[middle] - places[middle - 1], places[middle + 1] - places[middle]
    here = values[begin + middle * stride]
    before = (here - values[begin + (middle - 1) * stride]) / one
    after = (values[begin + (middle + 1) * stride] - here) / two
    second = 2 * (after - before) / (one + two)
    return (before * two + after * one) / (one + two) + (places[at] - places[middle]) * second, second


@compiled
def change(first: NDArray[np.uint8], second: NDArray[np.uint8], corners: NDArray[np.int64], size: int) -> Array:
    """Mean absolute difference (N,) of two pictures over each block, both at the same place; every other row."""
    means = np.empty(len(corners))
    for b in range(len(corners)):
        left, top = corners[b, 0], corners[b, 1]
        total = 0.0
        for row in range(top, top + size, 2):
            one, two = first[row, left : left + size], second[row, left : left + size]
            for i in range(size):
                total += abs(float(one[i]) - float(two[i]))
        means[b] = 2 * total / size**2
    return means


@compiled
def _split(at: float) -> tuple[int, int, float]:
    """Pixel before a place, phase of :func:`flow.registration.filters.interpolation`, and what is left, px."""
    pixel = int(np.floor(at))
    phase = int((at - pixel) * PHASES + 0.5)
    left = at - pixel - phase / PHASES
    if phase == PHASES:
        return pixel + 1, 0, left
    return pixel, phase, left
