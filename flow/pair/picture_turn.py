"""How a camera turned between two pictures, from the matches alone and as if it only turned."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.camera import Lens

Array: TypeAlias = NDArray[np.float64]

_FEWEST_MATCHES = 15  # size: matches, five for each of the three unknowns


def turns_of_matches(first_px: Array, second_px: Array, lens: Lens) -> Array:
    """Rotation vectors (P, 3) of the camera over each of P pairs, rad, camera axes.

    For unit directions before and after a turn by ``a`` about the unit axis ``e``, ``b0 - b1 = g x (b0 + b1) / 2`` with
    ``g = 2 tan(a / 2) e`` (Cayley), linear in ``g``; Cauchy's weights keep wrong matches out.

    Parameters
    ----------
    first_px, second_px
        (P, T, 2) column and row of T matches in either picture, NaN beyond a pair's own matches.
    lens
        Pixels to rays.

    Returns
    -------
    NaN where matches are too few. A translation shows as a turn too.
    """
    known = np.asarray(np.isfinite(first_px).all(axis=-1) & np.isfinite(second_px).all(axis=-1), bool)
    first, second = (_directions(lens, px, known) for px in (first_px, second_px))
    known = known & np.isfinite(first).all(axis=-1) & np.isfinite(second).all(axis=-1)
    first[~known] = second[~known] = 0.0
    change, middle = first - second, 0.5 * (first + second)
    weight = known.astype(float)
    turn = np.zeros((len(first_px), 3))
    for _ in range(4):
        squares = np.sum(middle**2, axis=-1)[..., None, None] * np.eye(3) - middle[..., :, None] * middle[..., None, :]
        left = np.einsum("pt,ptij->pij", weight, squares) + 1e-9 * np.eye(3)
        right = np.einsum("pt,pti->pi", weight, np.cross(middle, change))
        turn = np.linalg.solve(left, right[..., None])[..., 0]
        miss = np.sum((change - np.cross(turn[:, None], middle)) ** 2, axis=-1)
        usual = np.median(miss[known]) if known.any() else 1.0
        weight = known / (1 + miss / max(usual, 1e-12))
    size = np.linalg.norm(turn, axis=1, keepdims=True)
    vectors = turn * np.divide(2 * np.arctan(size / 2), size, out=np.ones_like(size), where=size > 1e-9)
    vectors[known.sum(axis=1) < _FEWEST_MATCHES] = np.nan
    return np.asarray(vectors)


def _directions(lens: Lens, pixels: Array, known: NDArray[np.bool_]) -> Array:
    rays = lens.rays(np.where(known[..., None], pixels, 50.0).reshape(-1, 2)).reshape(pixels.shape)
    solid = np.concatenate([rays, np.ones((*known.shape, 1))], axis=-1)
    return np.asarray(solid / np.linalg.norm(solid, axis=-1, keepdims=True))
