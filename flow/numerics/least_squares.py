"""Loops over equations that come two a match: scaled to their noise, their misses, and what they add up to."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.numerics.compiled import compiled

Array: TypeAlias = NDArray[np.float64]

_LEAST_LEFT = 1e-12  # of an unknown's own square: rounding


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
    """Inverse (M, M) of normal equations, by Gauss and Jordan in place; NaN where they do not determine M unknowns.

    ``np.linalg.solve`` takes as long to be compiled as all other loops of a picture together.
    """
    inverse = square.copy()
    count = len(square)
    for k in range(count):
        pivot = inverse[k, k]  # what the unknowns before leave of this one's own
        if not pivot > _LEAST_LEFT * square[k, k]:
            return np.full((count, count), np.nan)
        for i in range(count):
            if i != k:
                by = inverse[i, k] / pivot
                for j in range(count):
                    if j != k:
                        inverse[i, j] -= by * inverse[k, j]
        for i in range(count):
            inverse[k, i] /= pivot
            inverse[i, k] /= -pivot
        inverse[k, k] = 1 / pivot
    return inverse
