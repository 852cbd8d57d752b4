"""Matches, rotation and ground plane to the velocity of the body, exactly; see ``PairGeometry``.

Symbols: camera axes at the reference time (middle of the interval) throughout. A point seen along ``b0`` at ``t0``
lies on the plane ``n.P = d``. The camera is at ``X(t) = v (t - ref) + L(t)``, where ``v`` is the velocity of the body
origin and ``L(t) = R(ref, t) p - p`` is what rotation does to the lever arm ``p``. Then
``P = X(t0) + s b0`` with ``s = (d - n.X(t0)) / (n.b0)``, and the point is seen at ``t1`` along ``P - X(t1)``, parallel
to ``b1``: two equations a match, linear in the three unknowns ``v``. Nothing is small-angle; for small motion this
is the motion field of Longuet-Higgins and Prazdny 1980.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Array: TypeAlias = NDArray[np.float64]

_TUKEY = 4.685  # 95 % efficiency on Gaussian scatter (Huber and Ronchetti 2009), here on a radius of two dimensions
_ROUNDS = 3
_USED = 0.1  # weight from which on a match counts as one that agrees
_TRIALS = 48
_AGREE_SIGMA = 3.5
_CLEAR_MAJORITY = 0.85


@dataclass(frozen=True, slots=True, kw_only=True)
class PairGeometry:
    """Everything about N matches that is known before the velocity is, in camera axes at the reference time.

    ``first_ray`` and ``second_ray`` (N, 3), unit depth, turned to the reference; ``first_s`` and ``second_s`` (N,)
    exposure times less the reference time; ``first_lever_m`` and ``second_lever_m`` (N, 3) are L(t0) and L(t1);
    ``down`` (3,) is the plane's normal and ``distance_m`` the camera's distance to it; ``flow`` (N, 2) is the change
    of the ray in the camera's own axes, rotation included; ``covariance`` (N, 2, 2) that of ``second_ray``'s x and y
    up to a common factor.
    """

    first_ray: Array
    second_ray: Array
    first_s: Array
    second_s: Array
    first_lever_m: Array
    second_lever_m: Array
    down: Array
    distance_m: float
    flow: Array
    covariance: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Solution:
    """Velocity of the body origin in camera axes and what stands behind it.

    ``velocity_m_s`` (3,); ``covariance`` (3, 3) from the scatter of the matches alone; ``used`` (N,) the matches
    that agree; ``scale`` the factor on ``PairGeometry.covariance`` that their scatter shows; ``pull`` (N, 3, 2) the
    change of velocity for a change of each match's target (the place expected of it less ``second_ray``);
    ``apparent`` (N, 2) each match's translational motion in ray coordinates.
    """

    velocity_m_s: Array
    covariance: Array
    used: NDArray[np.bool_]
    scale: float
    pull: Array
    apparent: Array


def solve(pair: PairGeometry, guess_m_s: Array | None, scale: float, rng: np.random.Generator) -> Solution | None:
    """Find the velocity that most matches agree on, then weigh them all by their covariance.

    Parameters
    ----------
    pair
        At least 3 matches.
    guess_m_s
        Velocity expected from the pairs before, camera axes; None without history.
    scale
        Scatter factor expected from the pairs before; only sets what counts as agreement at the start.
    rng
        For the trial pairs of the consensus.

    Returns
    -------
    None when the matches do not determine three components.

    Notes
    -----
    When at least 85 % agree with the guess there is no other majority and the consensus search (random minimal
    samples, Fischler and Bolles 1981, scored by truncated squares) is left out.
    """
    rows, target = equations(pair)
    white_rows, white_target = _whitened(rows, target, pair.covariance)
    start = None
    if guess_m_s is not None:
        agree = _squares(white_rows, white_target, guess_m_s) < (_AGREE_SIGMA**2 * scale)
        if agree.mean() >= _CLEAR_MAJORITY:
            start = agree
    if start is None:
        start = _consensus(white_rows, white_target, guess_m_s, scale, rng)
    if start.sum() < 3:
        return None
    return _weighted(rows, white_rows, white_target, start, pair)


def equations(pair: PairGeometry) -> tuple[Array, Array]:
    """Rows (N, 2, 3) and target (N, 2): ``rows @ v = target``, in units of ray coordinates."""
    slope = pair.first_ray @ pair.down
    depth = (pair.distance_m - pair.first_lever_m @ pair.down) / slope
    fixed = pair.first_ray * depth[:, None] + pair.first_lever_m - pair.second_lever_m
    span = pair.second_s - pair.first_s
    along = (pair.first_s / slope)[:, None, None] * pair.first_ray[:, :, None] * pair.down
    moving = span[:, None, None] * np.eye(3) + along
    cut = np.zeros((len(slope), 2, 3))
    cut[:, 0, 0] = cut[:, 1, 1] = 1.0
    cut[:, :, 2] = -pair.second_ray[:, :2]
    cut /= fixed[:, 2][:, None, None]
    return cut @ moving, (cut @ fixed[:, :, None])[:, :, 0]


def motion_of_turn(rays: Array) -> Array:
    """Give the change of unit-depth ray coordinates by a small turn: (N, 2, 3) (Longuet-Higgins and Prazdny 1980)."""
    x, y = rays[:, 0], rays[:, 1]
    one = np.ones_like(x)
    return np.stack([np.stack([-x * y, one + x * x, -y], axis=-1), np.stack([-one - y * y, x * y, x], axis=-1)], axis=1)


def _whitened(rows: Array, target: Array, covariance: Array) -> tuple[Array, Array]:
    a, b, c = covariance[:, 0, 0], covariance[:, 0, 1], covariance[:, 1, 1]
    first = 1 / np.sqrt(a)
    second = 1 / np.sqrt(np.maximum(c - b * b / a, 1e-30))
    whiten = np.zeros((len(a), 2, 2))
    whiten[:, 0, 0], whiten[:, 1, 0], whiten[:, 1, 1] = first, -b / a * second, second
    return whiten @ rows, (whiten @ target[:, :, None])[:, :, 0]


def _squares(rows: Array, target: Array, velocity: Array) -> Array:
    miss = target - rows @ velocity
    return np.asarray(np.einsum("ni,ni->n", miss, miss))


def _normal(rows: Array, target: Array) -> tuple[Array, Array]:
    turned = rows.transpose(0, 2, 1)
    return turned @ rows, (turned @ target[:, :, None])[:, :, 0]


def _consensus(
    rows: Array, target: Array, guess: Array | None, scale: float, rng: np.random.Generator
) -> NDArray[np.bool_]:
    count = len(rows)
    squares, products = _normal(rows, target)
    picks = rng.integers(0, count, (_TRIALS, 3))
    left = squares[picks].sum(axis=1)
    steady = 1e-9 * np.trace(left, axis1=1, axis2=2)[:, None, None] * np.eye(3)
    trials = np.linalg.solve(left + steady, products[picks].sum(axis=1)[:, :, None])[:, :, 0]
    if guess is not None:
        trials = np.vstack([trials, guess])
    limit = _AGREE_SIGMA**2 * scale
    best: NDArray[np.bool_] = np.zeros(count, bool)
    best_cost = np.inf
    cost = np.minimum(_all_squares(rows, target, trials), 4 * limit).sum(axis=1)
    for velocity in trials[np.argsort(cost)[:3]]:
        for _ in range(4):
            agree = _squares(rows, target, velocity) < 2 * limit
            if agree.sum() < 3:
                break
            velocity = np.linalg.lstsq(rows[agree].reshape(-1, 3), target[agree].ravel(), rcond=None)[0]
        squared = _squares(rows, target, velocity)
        total = float(np.minimum(squared, limit).sum())
        if total < best_cost:
            best, best_cost = squared < limit, total
    return best


def _all_squares(rows: Array, target: Array, trials: Array) -> Array:
    miss = target.reshape(-1, 1) - rows.reshape(-1, 3) @ trials.T
    return np.asarray((miss**2).reshape(len(rows), 2, -1).sum(axis=1).T)


def _weighted(
    rows: Array, white_rows: Array, white_target: Array, start: NDArray[np.bool_], pair: PairGeometry
) -> Solution | None:
    weight = start.astype(float)
    squares, products = _normal(white_rows, white_target)
    for _ in range(_ROUNDS):
        try:
            velocity: Array = np.asarray(
                np.linalg.solve(np.tensordot(weight, squares, 1), weight @ products), np.float64
            )
        except np.linalg.LinAlgError:
            return None
        squared = _squares(white_rows, white_target, velocity)
        # The median of chi-square with two degrees of freedom is 2 ln 2.
        spread = max(_median(squared[weight > _USED]) / (2 * np.log(2)), 1e-12)
        weight = np.square(np.maximum(1 - squared / (_TUKEY**2 * spread), 0.0))
        if np.count_nonzero(weight > _USED) < 3:
            return None
    left = np.tensordot(weight, squares, 1)
    strength = np.linalg.eigvalsh(left)
    if not strength[0] > 1e-12 * strength[-1]:
        return None
    inverse = np.linalg.inv(left)
    # Tukey's weights trim the scatter they are judged by: the median, not the weighted mean, tells its size.
    precision = np.linalg.inv(pair.covariance) * weight[:, None, None]
    return Solution(
        velocity_m_s=velocity,
        covariance=inverse * spread,
        used=weight > _USED,
        scale=spread,
        pull=inverse @ (rows.transpose(0, 2, 1) @ precision),
        apparent=pair.second_ray[:, :2] - pair.first_ray[:, :2],
    )


def _median(values: Array) -> float:
    """Upper median; ``np.median`` spends more on its checks than on a few hundred numbers."""
    middle = len(values) // 2
    return float(np.partition(values, middle)[middle])
