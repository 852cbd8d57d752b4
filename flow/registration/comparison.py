"""The comparison of blocks with another picture: the loop that takes longest, compiled for each size of block.

Pictures are float32, smoothed; the top left pixel of block b is ``corners[b]`` (column, row). Loops over 16 pixels whose
number is known when they are compiled take a third less time.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.numerics.compiled import compiled, inlined
from flow.registration.filters import PHASES, TAPS

Array: TypeAlias = NDArray[np.float64]
Floats: TypeAlias = NDArray[np.float32]

_BEFORE = TAPS // 2 - 1  # taps left of the pixel that a place follows
_SLACK = 4  # rows that a block's columns may lie apart
_ZERO = np.float32(0)


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
    return _comparison(size)(picture, slope_x, slope_y, corners, other, place, stretch, weights)


@cache
def _comparison(size: int) -> Callable[..., Array]:
    """Compile :func:`compare` for one size of block; what is compiled is kept on disk, size by size."""

    @compiled
    def compare_all(
        picture: Floats,
        slope_x: Floats,
        slope_y: Floats,
        corners: NDArray[np.int64],
        other: Floats,
        place: Array,
        stretch: Array,
        weights: Floats,
    ) -> Array:
        sums = np.full((len(corners), 5), np.nan)
        # Rows that most blocks do not need weigh nothing there, but must be numbers.
        along = np.zeros((size + TAPS + _SLACK - 1, size), np.float32)
        left_x = np.empty(len(along), np.float32)
        down, left_y = np.empty((TAPS + _SLACK, size), np.float32), np.empty(size, np.float32)
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
            _between_columns(
                size, other, top, size + taps - 1, x + by_row * (top - place[b, 1]), by_row, weights, along, left_x
            )
            _row_weights(size, y - by_column * half, by_column, top, weights, down, left_y)
            wider, higher = np.float32(stretch[b, 0, 0] - 1), np.float32(stretch[b, 1, 1] - 1)
            sums[b] = _misses(
                size,
                along,
                left_x,
                down,
                left_y,
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

    return compare_all


@inlined
def _between_columns(
    size: int,
    other: Floats,
    top: int,
    rows: int,
    begin: float,
    by_row: float,
    weights: Floats,
    out: Floats,
    left: Floats,
) -> None:
    """Interpolate rows of ``other`` from ``top`` on, each from its own place: ``begin``, then ``by_row`` farther."""
    for k in range(rows):
        column, phase, left[k] = _split(begin + by_row * k)
        source, into, w = other[top + k, column - _BEFORE : column - _BEFORE + size + TAPS - 1], out[k], weights[phase]
        w0, w1, w2, w3, w4, w5, w6, w7 = w[0], w[1], w[2], w[3], w[4], w[5], w[6], w[7]
        for i in range(size):
            into[i] = (
                source[i] * w0 + source[i + 1] * w1 + source[i + 2] * w2 + source[i + 3] * w3
                + source[i + 4] * w4 + source[i + 5] * w5 + source[i + 6] * w6 + source[i + 7] * w7
            )  # fmt: skip


@inlined
def _row_weights(
    size: int, begin: float, by_column: float, top: int, weights: Floats, out: Floats, left: Floats
) -> None:
    """Weights of the rows from ``top`` on for each column; columns may begin at different rows: zero elsewhere."""
    out[:] = 0
    for i in range(size):
        row, phase, left[i] = _split(begin + by_column * i)
        shift = row - _BEFORE - top
        for k in range(TAPS):
            out[shift + k, i] = weights[phase, k]


@inlined
def _misses(
    size: int,
    along: Floats,
    left_x: Floats,
    down: Floats,
    left_y: Floats,
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
    half = 0.5 * (size - 1)
    level = picture[row, column]
    r, rr, xr, yr, tr = _ZERO, _ZERO, _ZERO, _ZERO, _ZERO
    # All rows that a block may need at once, TAPS + _SLACK, their weights in registers: to leave the last out where they
    # weigh nothing saves no time, to add up one after the other in memory takes twice as long.
    d0, d1, d2, d3, d4, d5 = down[0], down[1], down[2], down[3], down[4], down[5]
    d6, d7, d8, d9, d10, d11 = down[6], down[7], down[8], down[9], down[10], down[11]
    for j in range(size):
        s0, s1, s2, s3, s4, s5 = along[j], along[j + 1], along[j + 2], along[j + 3], along[j + 4], along[j + 5]
        s6, s7, s8, s9 = along[j + 6], along[j + 7], along[j + 8], along[j + 9]
        s10, s11 = along[j + 10], along[j + 11]
        off, rise = left_x[j + taps // 2], higher * np.float32(j - half)
        own = picture[row + j, column : column + size]
        gx, gy = slope_x[row + j, column : column + size], slope_y[row + j, column : column + size]
        for i in range(size):
            value = (
                s0[i] * d0[i] + s1[i] * d1[i] + s2[i] * d2[i] + s3[i] * d3[i] + s4[i] * d4[i]
                + s5[i] * d5[i] + s6[i] * d6[i] + s7[i] * d7[i] + s8[i] * d8[i]
                + s9[i] * d9[i] + s10[i] * d10[i] + s11[i] * d11[i]
            )  # fmt: skip
            miss = value - own[i] + gx[i] * (off + wider * np.float32(i - half)) + gy[i] * (left_y[i] + rise)
            r += miss
            rr += miss * miss
            xr += gx[i] * miss
            yr += gy[i] * miss
            tr += (own[i] - level) * miss
    return r, rr, xr, yr, tr


@compiled
def _split(at: float) -> tuple[int, int, float]:
    """Pixel before a place, phase of :func:`flow.registration.filters.interpolation`, and what is left, px."""
    pixel = int(np.floor(at))
    phase = int((at - pixel) * PHASES + 0.5)
    left = at - pixel - phase / PHASES
    if phase == PHASES:
        return pixel + 1, 0, left
    return pixel, phase, left
