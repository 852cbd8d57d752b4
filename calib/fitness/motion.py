"""How the camera moved in each pair of frames by the picture alone: shift over the plane, and turn.

The equations are those of :mod:`calib.turn_model`: two a match, linear in the displacement (in units of the distance to
the plane) and, to first order, in a turn beyond the gyro's. With a gyro that stands still that is the whole turn. About
the optical axis a turn looks like nothing else; about the other two it differs from a shift only by what grows with the
square of the distance from the middle (Longuet-Higgins and Prazdny 1980), and the covariance says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from calib.turn_model import Equations
from flow.pair.equations import motion_of_turn

Array: TypeAlias = NDArray[np.float64]

_ROUNDS = 6
_ROUGH = 2  # of them with Cauchy's weights
_CAUCHY2, _TUKEY = 2.0, 4.685
_USED = 0.1
_FEWEST = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class PairMotions:
    """Motion of P pairs, camera axes at the middle of each.

    ``displacement`` (P, 3) is in units of the distance to the plane; ``turn_rad`` (P, 3) the turn by the picture beyond
    the one that the equations took out (zeros where it was not free); ``covariance`` (P, 6, 6) of both;
    ``used_share`` (P,) of the matches; ``good`` (P,) whether there were enough of them. Rows that are not good hold zeros.
    """

    displacement: Array
    turn_rad: Array
    covariance: Array
    used_share: Array
    good: NDArray[np.bool_]


def pair_motions(
    equations: Equations, covariance: Array, known: NDArray[np.bool_], *, turning: bool = True
) -> PairMotions:
    """Solve each pair for displacement and turn together, robustly.

    Parameters
    ----------
    equations
        Of P pairs with T matches.
    covariance
        (P, T, 2, 2) of the matches, up to a factor that their scatter tells.
    known
        (P, T) which matches there are.
    turning
        Whether the turn is free; else the one that the equations took out is all.
    """
    pairs, tracks = known.shape
    weight_matrix = np.linalg.inv(covariance)
    rows = equations.rows
    if turning:
        turns = motion_of_turn(equations.second_ray.reshape(-1, 2)).reshape(pairs, tracks, 2, 3)
        rows = np.concatenate([rows, turns], axis=-1)
    size = rows.shape[-1]
    weight = known.astype(float)
    scale = np.ones(pairs)
    for count in range(_ROUNDS):
        weighted = rows.swapaxes(-1, -2) @ weight_matrix * weight[..., None, None]
        square = np.sum(weighted @ rows, axis=1)
        steady = 1e-12 * np.trace(square, axis1=1, axis2=2)[:, None, None] + 1e-9
        inverse = np.linalg.inv(square + steady * np.eye(size))
        motion = inverse @ np.sum(weighted @ equations.target[..., None], axis=1)
        miss = equations.target - (rows @ motion[:, None])[..., 0]
        squares = np.einsum("pti,ptij,ptj->pt", miss, weight_matrix, miss)
        scale = _scale(squares, known)
        relative = squares / scale[:, None]
        trimmed = np.square(np.maximum(1 - relative / _TUKEY**2, 0.0))
        weight = np.where(known, 1 / (1 + relative / _CAUCHY2) if count < _ROUGH else trimmed, 0.0)
    used = known & (weight > _USED)
    enough = used.sum(axis=1) >= _FEWEST
    whole, spread = np.zeros((pairs, 6)), np.zeros((pairs, 6, 6))
    whole[enough, :size] = motion[enough, :, 0]
    spread[:, :size, :size] = inverse * scale[:, None, None]
    return PairMotions(
        displacement=whole[:, :3],
        turn_rad=whole[:, 3:],
        covariance=spread,
        used_share=used.sum(axis=1) / np.maximum(known.sum(axis=1), 1),
        good=enough,
    )


def _scale(squares: Array, known: NDArray[np.bool_]) -> Array:
    """Factor (P,) on the covariance that the median of the squares shows (chi-square of two degrees: 2 ln 2)."""
    ordered = np.sort(np.where(known, squares, np.inf), axis=1)
    middle = (known.sum(axis=1) // 2).clip(max=known.shape[1] - 1)
    typical = np.take_along_axis(ordered, middle[:, None], axis=1)[:, 0]
    return np.asarray(np.maximum(np.where(np.isfinite(typical), typical, 1.0) / (2 * np.log(2)), 1e-12))
