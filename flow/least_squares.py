"""Loops over equations that come two a match: scaled to their noise, their misses, and what they add up to."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.compiled import compiled

Array: TypeAlias = NDArray[np.float64]

_LEAST_VOLUME = 1e-15  # determinant by the cube of the trace; in the view of a 3 degree lens it is 1e-5


@compiled
def whitened(rows: Array, target: Array, covariance: Array) -> tuple[Array, Array]:
    """Scale the equations so that one-sigma is 1 along any direction (Cholesky)."""
    white_rows, white_target = np.empty_like(rows), np.empty_like(target)
    for i in range(len(rows)):
        a, b, c = covariance[i, 0, 0], covariance[i, 0, 1], covariance[i, 1, 1]
        first, second = 1 / np.sqrt(a), 1 / np.sqrt(max(c - b * b / a, 1e-30))
        for j in range(rows.shape[2]):
            white_rows[i, 0, j] = first * rows[i, 0, j]
            white_rows[i, 1, j] = second * (rows[i, 1, j] - b / a * rows[i, 0, j])
        white_target[i, 0] = first * target[i, 0]
        white_target[i, 1] = second * (target[i, 1] - b / a * target[i, 0])
    return white_rows, white_target


@compiled
def squared_misses(rows: Array, target: Array, solution: Array) -> Array:
    """Square (N,) of how far each match's two equations miss."""
    squares = np.zeros(len(rows))
    for i in range(len(rows)):
        for e in range(2):
            miss = target[i, e]
            for j in range(len(solution)):
                miss -= rows[i, e, j] * solution[j]
            squares[i] += miss * miss
    return squares


@compiled
def normal_equations(rows: Array, target: Array, weight: Array) -> tuple[Array, Array]:
    """Weighted normal equations of M unknowns: (M, M) and (M,)."""
    count = rows.shape[2]
    square, product = np.zeros((count, count)), np.zeros(count)
    for i in range(len(rows)):
        for e in range(2):
            for j in range(count):
                by = weight[i] * rows[i, e, j]
                product[j] += by * target[i, e]
                for k in range(count):
                    square[j, k] += by * rows[i, e, k]
    return square, product


@compiled
def inverted(square: Array) -> Array:
    """Inverse (3, 3) of a symmetric matrix by its cofactors; NaN where it determines less than three unknowns."""
    xx, xy, xz, yy, yz, zz = square[0, 0], square[0, 1], square[0, 2], square[1, 1], square[1, 2], square[2, 2]
    inverse = np.empty((3, 3))
    inverse[0, 0], inverse[1, 1], inverse[2, 2] = yy * zz - yz * yz, xx * zz - xz * xz, xx * yy - xy * xy
    inverse[0, 1] = inverse[1, 0] = xz * yz - xy * zz
    inverse[0, 2] = inverse[2, 0] = xy * yz - xz * yy
    inverse[1, 2] = inverse[2, 1] = xy * xz - xx * yz
    volume = xx * inverse[0, 0] + xy * inverse[0, 1] + xz * inverse[0, 2]
    return inverse / (volume if volume > _LEAST_VOLUME * (xx + yy + zz) ** 3 else np.nan)
