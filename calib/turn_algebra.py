"""Weighted least squares over the matches of many pairs at once: the displacement of each pair eliminated."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from calib.turn_model import Equations
from flow.numerics.middle import MEDIAN_SQUARE

Array: TypeAlias = NDArray[np.float64]

_PAIR_BELIEF = 20.0  # matches that the scatter of all pairs counts for in that of one
_MOST_RELIEF = 0.5


def times(matrices: Array, vectors: Array) -> Array:
    """Product of each matrix (..., m, n) with its vector (..., n)."""
    return np.asarray((matrices @ vectors[..., None])[..., 0])


def eliminated(equations: Equations, white: Array) -> tuple[Array, Array]:
    """Whitened residuals (P, 2 T) with each pair's best displacement, and these displacements (P, 3)."""
    pairs = len(white)
    rows = (white @ equations.rows).reshape(pairs, -1, 3)
    target = times(white, equations.target).reshape(pairs, -1, 1)
    displacement = _least_squares(rows, target)
    return np.asarray((target - rows @ displacement)[..., 0]), displacement[..., 0]


def _least_squares(rows: Array, target: Array) -> Array:
    turned = rows.transpose(0, 2, 1)
    left = turned @ rows
    # A pair without matches gets zero; 1e-10 of the trace moves no other.
    steady = 1e-10 * np.trace(left, axis1=1, axis2=2) + 1e-12
    return np.asarray(np.linalg.solve(left + steady[:, None, None] * np.eye(rows.shape[2]), turned @ target))


def missing_turn(equations: Equations, white: Array) -> Array:
    """Turn (P, 3) of the second frame beyond the gyro's that each pair asks for, its displacement free too."""
    x, y = np.moveaxis(equations.second_ray, -1, 0)
    by_turn = np.stack([np.stack([-x * y, 1 + x * x, -y], axis=-1), np.stack([-1 - y * y, x * y, x], axis=-1)], axis=-2)
    rows = white @ np.concatenate([equations.rows, by_turn], axis=-1)
    target = times(white, equations.target)
    return _least_squares(rows.reshape(len(white), -1, 6), target.reshape(len(white), -1, 1))[:, 3:, 0]


def scatter(square: Array, known: NDArray[np.bool_]) -> Array:
    """Factor (P,) on the covariance of each pair: the median of its squares, drawn to that of all pairs."""
    usual = float(np.median(square[known])) / (2 * np.log(2)) if known.any() else 1.0
    count = known.sum(axis=1)
    ordered = np.sort(np.where(known, square, np.inf), axis=1)
    own = np.take_along_axis(ordered, (count // 2).clip(max=square.shape[1] - 1)[:, None], axis=1)[:, 0]
    own = np.where(count > 0, own, 0.0) / (2 * np.log(2))
    return np.asarray(np.maximum((count * own + _PAIR_BELIEF * usual) / (count + _PAIR_BELIEF), 1e-12))


def relief(residual: Array, parallax: Array, known: NDArray[np.bool_]) -> float:
    """One-sigma of the relative depth about the plane, from the scatter along the parallax and across it."""
    size = np.linalg.norm(parallax, axis=-1)
    if not known.any():
        return 0.0
    strong = known & (size > np.median(size[known]))
    if not strong.any():
        return 0.0
    along = np.sum(residual * parallax, axis=-1)[strong] / size[strong]
    across = np.square(residual[strong]).sum(axis=-1) - along**2
    excess = (np.median(along**2) - np.median(across)) / MEDIAN_SQUARE
    return float(min(np.sqrt(max(excess, 0.0) / np.median(size[strong] ** 2)), _MOST_RELIEF))


def whitening(covariance: Array) -> Array:
    """Matrices whose product with a vector of that covariance has unit covariance."""
    a, b, c = covariance[..., 0, 0], covariance[..., 0, 1], covariance[..., 1, 1]
    first = 1 / np.sqrt(a)
    second = 1 / np.sqrt(np.maximum(c - b * b / a, 1e-30))
    white = np.zeros((*a.shape, 2, 2))
    white[..., 0, 0], white[..., 1, 0], white[..., 1, 1] = first, -b / a * second, second
    return white
