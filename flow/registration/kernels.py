"""The loops over every pixel of one picture, compiled: its slopes, and each block's own sums.

Pictures are float32, smoothed; the top left pixel of block b is ``corners[b]`` (column, row).
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.numerics.compiled import compiled

Array: TypeAlias = NDArray[np.float64]
Floats: TypeAlias = NDArray[np.float32]

_ZERO = np.float32(0)


@compiled
def slopes(picture: Floats, half: Floats, begin: int, end: int, slope_x: Floats, slope_y: Floats) -> None:
    """Fill in the slopes along rows and down columns, in rows from ``begin`` to ``end``, four off the border at least.

    ``half`` (4,) is what :func:`flow.registration.filters.slope` gives to the right of its middle. The outermost four
    columns know no slope along rows.
    """
    one, two, three, four = half[0], half[1], half[2], half[3]
    columns = picture.shape[1]
    for row in range(begin, end):
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
def made_ready(
    picture: Floats, half: Floats, corners: NDArray[np.int64], size: int, slope_x: Floats, slope_y: Floats
) -> Array:
    """Fill in the slopes that blocks see, and give :func:`own_sums`; ``corners`` come row by row.

    One row of blocks after the other: its slopes are then summed up while they are still in the processor's cache.
    """
    sums = np.empty((len(corners), 10))
    begin, done = 0, 4
    for end in range(1, len(corners) + 1):
        if end < len(corners) and corners[end, 1] == corners[begin, 1]:
            continue
        below = corners[begin, 1] + size
        slopes(picture, half, done, below, slope_x, slope_y)
        sums[begin:end] = own_sums(picture, slope_x, slope_y, corners[begin:end], size)
        begin, done = end, below
    return sums


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
        total = np.float32(0)
        for row in range(top, top + size, 2):
            one, two = first[row, left : left + size], second[row, left : left + size]
            for i in range(size):
                total += abs(np.float32(one[i]) - np.float32(two[i]))
        means[b] = 2 * total / size**2
    return means
