"""The loops over every pixel, compiled: slopes, a block's own sums, and its comparison with another picture.

Pictures are float32, smoothed; the top left pixel of block b is ``corners[b]`` (column, row).
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.numerics.compiled import compiled
from flow.registration.filters import PHASES, TAPS

Array: TypeAlias = NDArray[np.float64]
Floats: TypeAlias = NDArray[np.float32]

_BEFORE = TAPS // 2 - 1  # taps left of the pixel that a place follows
_SLACK = 4  # rows that a block's columns may lie apart
_ZERO = np.float32(0)


@compiled
def slopes(picture: Floats, half: Floats, slope_x: Floats, slope_y: Floats) -> None:
    """Fill in the slopes along rows and down columns, but for four pixels along the border.

    ``half`` (4,) is what :func:`flow.registration.filters.slope` gives to the right of its middle.
    """
    one, two, three, four = half[0], half[1], half[2], half[3]
    rows, columns = picture.shape
    for row in range(4, rows - 4):
        own, along, down = picture[row], slope_x[row], slope_y[row]
        for i in range(columns - 8):  # counted from 0: an index that might be negative takes ten times as long
            along[i + 4] = (
                one * (own[i + 5] - own[i + 3]) + two * (own[i + 6] - own[i + 2])
                + three * (own[i + 7] - own[i + 1]) + four * (own[i + 8] - own[i])
            )  # fmt: skip
        a, b, c, d = picture[row + 1], picture[row + 2], picture[row + 3], picture[row + 4]
        e, f, g, h = picture[row - 1], picture[row - 2], picture[row - 3], picture[row - 4]
        for i in range(columns):
            down[i] = one * (a[i] - e[i]) + two * (b[i] - f[i]) + three * (c[i] - g[i]) + four * (d[i] - h[i])


@compiled
def own_sums(picture: Floats, slope_x: Floats, slope_y: Floats, corners: NDArray[np.int64], size: int) -> Array:
    """Sum over each block (N, 10): its level, t, t^2, gx, gy, gx^2, gx gy, gy^2, gx t, gy t.

    ``t`` is the picture's value less that of the block's top left pixel, its level, ``gx`` and ``gy`` are the slopes.
    """
    sums = np.empty((len(corners), 10))
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
        sums[b] = (level * np.float32(size * size), t, tt, x, y, xx, xy, yy, xt, yt)
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
    along, left_x = (
        np.empty((size + TAPS + _SLACK - 1, size), np.float32),
        np.empty(size + TAPS + _SLACK - 1, np.float32),
    )
    down, left_y = np.empty((TAPS + _SLACK, size), np.float32), np.empty(size, np.float32)
    rest = np.zeros(size, np.float32)
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
        _between_columns(other, top, size + taps - 1, x + by_row * (top - place[b, 1]), by_row, weights, along, left_x)
        _row_weights(y - by_column * half, by_column, top, weights, down, left_y)
        wider, higher = np.float32(stretch[b, 0, 0] - 1), np.float32(stretch[b, 1, 1] - 1)
        sums[b] = _misses(
            along,
            left_x,
            down,
            left_y,
            rest,
            taps,
            wider,
            higher,
            picture,
            slope_x,
            slope_y,
            corners[b, 0],
            corners[b, 1],
        )
    return sums


@compiled
def _between_columns(
    other: Floats, top: int, rows: int, begin: float, by_row: float, weights: Floats, out: Floats, left: Floats
) -> None:
    """Interpolate rows of ``other`` from ``top`` on, each from its own place: ``begin``, then ``by_row`` farther."""
    size = out.shape[1]
    for k in range(rows):
        column, phase, left[k] = _split(begin + by_row * k)
        source, into, w = other[top + k, column - _BEFORE : column - _BEFORE + size + TAPS - 1], out[k], weights[phase]
        w0, w1, w2, w3, w4, w5, w6, w7 = w[0], w[1], w[2], w[3], w[4], w[5], w[6], w[7]
        for i in range(size):
            into[i] = (
                source[i] * w0 + source[i + 1] * w1 + source[i + 2] * w2 + source[i + 3] * w3
                + source[i + 4] * w4 + source[i + 5] * w5 + source[i + 6] * w6 + source[i + 7] * w7
            )  # fmt: skip


@compiled
def _row_weights(begin: float, by_column: float, top: int, weights: Floats, out: Floats, left: Floats) -> None:
    """Weights of the rows from ``top`` on for each column; columns may begin at different rows: zero elsewhere."""
    out[:] = 0
    for i in range(out.shape[1]):
        row, phase, left[i] = _split(begin + by_column * i)
        shift = row - _BEFORE - top
        for k in range(TAPS):
            out[shift + k, i] = weights[phase, k]


@compiled
def _misses(
    along: Floats,
    left_x: Floats,
    down: Floats,
    left_y: Floats,
    rest: Floats,
    taps: int,
    wider: np.float32,
    higher: np.float32,
    picture: Floats,
    slope_x: Floats,
    slope_y: Floats,
    column: int,
    row: int,
) -> tuple[np.float32, np.float32, np.float32, np.float32, np.float32]:
    """Sum up one block, for :func:`compare`: ``along`` is interpolated between columns, ``down`` weighs its rows."""
    size = along.shape[1]
    half = 0.5 * (size - 1)
    level = picture[row, column]
    rest[:] = 0
    r, rr, xr, yr, tr = _ZERO, _ZERO, _ZERO, _ZERO, _ZERO
    # Nine rows at once, each in a register (TAPS + 1 of them: nearly always all there are); to add up one after the
    # other in memory takes twice as long.
    d0, d1, d2, d3, d4, d5, d6, d7, d8 = down[0], down[1], down[2], down[3], down[4], down[5], down[6], down[7], down[8]
    for j in range(size):
        if taps > TAPS + 1:
            _weigh(along[j + TAPS + 1 : j + taps], down[TAPS + 1 : taps], rest)
        s0, s1, s2, s3, s4 = along[j], along[j + 1], along[j + 2], along[j + 3], along[j + 4]
        s5, s6, s7, s8 = along[j + 5], along[j + 6], along[j + 7], along[j + 8]
        off, rise = left_x[j + taps // 2], higher * np.float32(j - half)
        own = picture[row + j, column : column + size]
        gx, gy = slope_x[row + j, column : column + size], slope_y[row + j, column : column + size]
        for i in range(size):
            value = (
                s0[i] * d0[i] + s1[i] * d1[i] + s2[i] * d2[i] + s3[i] * d3[i] + s4[i] * d4[i]
                + s5[i] * d5[i] + s6[i] * d6[i] + s7[i] * d7[i] + s8[i] * d8[i] + rest[i]
            )  # fmt: skip
            miss = value - own[i] + gx[i] * (off + wider * np.float32(i - half)) + gy[i] * (left_y[i] + rise)
            r += miss
            rr += miss * miss
            xr += gx[i] * miss
            yr += gy[i] * miss
            tr += (own[i] - level) * miss
    return r, rr, xr, yr, tr


@compiled
def _weigh(values: Floats, weights: Floats, out: Floats) -> None:
    """Sum of the rows of ``values``, each element with its own weight."""
    out[:] = 0
    for k in range(len(values)):
        for i in range(len(out)):
            out[i] += values[k, i] * weights[k, i]


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
