"""How a picture moves as a whole."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.numerics.compiled import compiled
from flow.numerics.least_squares import inverted

Array: TypeAlias = NDArray[np.float64]


@compiled
def even_motion(first_px: Array, second_px: Array, used: NDArray[np.bool_], places: Array) -> Array:
    """Motion (M, 2) at places (M, 2) that changes evenly over the picture, fitted to matches (N, 2) that are ``used``."""
    square, product, row = 1e-6 * np.eye(3), np.zeros((3, 2)), np.ones(3)
    for i in range(len(first_px)):
        if used[i]:
            row[0], row[1] = first_px[i, 0], first_px[i, 1]
            for j in range(3):
                for k in range(3):
                    square[j, k] += row[j] * row[k]
                for k in range(2):
                    product[j, k] += row[j] * (second_px[i, k] - first_px[i, k])
    plane = inverted(square) @ product
    moved = np.empty_like(places)
    for i in range(len(places)):
        for k in range(2):
            moved[i, k] = places[i, 0] * plane[0, k] + places[i, 1] * plane[1, k] + plane[2, k]
    return moved
