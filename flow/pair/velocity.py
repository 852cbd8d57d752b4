"""The velocity of the body that most matches of a pair agree on."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.numerics.compiled import compiled
from flow.numerics.least_squares import inverted, normal_equations, squared_misses, whitened
from flow.numerics.middle import share_of, upper_middle
from flow.pair.equations import PairGeometry, equations

Array: TypeAlias = NDArray[np.float64]

# source: sigmas, 95 % efficiency on Gaussian scatter (Huber and Ronchetti 2009), here on a radius of two dimensions
_TUKEY = 4.685
_ROUNDS = 3  # size: rounds, of reweighting
_USED = 0.1  # rate: 6e-4 of honest matches, a weight that is less at 3.9 sigmas, a radius of two dimensions
# rate: 2e-3, chance that no trial is of three good matches where half are good, (1 - 1/8)^48 (Fischler and Bolles 1981)
_TRIALS = 48
_AGREE_SIGMA = 3.5  # rate: 2e-3 of honest matches, a radius of two dimensions
_CLEAR_MAJORITY, _MAJORITY = 0.85, 0.7
_STRAIGHT_ROUNDS = 5  # size: rounds, of reweighting


@dataclass(frozen=True, slots=True, kw_only=True)
class Solution:
    """Velocity of the body origin in camera axes and what stands behind it.

    ``velocity_m_s`` (3,); ``covariance`` (3, 3) from the scatter of the matches alone; ``used`` (N,) the matches
    that agree; ``scale`` the factor on ``PairGeometry.covariance`` that their scatter shows; ``pull`` (N, 3, 2) the
    change of velocity for a change of each match's target (the place expected of it less ``second_ray``);
    ``apparent`` (N, 2) each match's translational motion in ray coordinates; ``rows`` (N, 2, 3) and ``miss`` (N, 2) the
    equations and what the velocity leaves of their targets.
    """

    velocity_m_s: Array
    covariance: Array
    used: NDArray[np.bool_]
    scale: float
    pull: Array
    apparent: Array
    rows: Array
    miss: Array

    def at(self, velocity_m_s: Array) -> Solution:
        """Give what the same matches would have shown at another velocity (3,), without their scatter."""
        missed = self.miss + self.rows @ (self.velocity_m_s - velocity_m_s)
        still = np.zeros_like(self.miss)
        return replace(self, velocity_m_s=velocity_m_s, apparent=self.apparent + missed, miss=still)


def solve(
    pair: PairGeometry,
    guess_m_s: Array | None,
    scale: float,
    rng: np.random.Generator,
    *,
    near: float = 0.0,
    held: bool = False,
) -> Solution | None:
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
    near
        Distance in ray coordinates within which a match agrees with the guess at the start, whatever its covariance.
    held
        A video codec holds a part of the picture back and lets another catch up: the truth is their mean, not the larger
        part, so that all within ``near`` count, and their mean square is the scatter.

    Returns
    -------
    None when the matches do not determine three components.

    Notes
    -----
    Where at least 85 % agree with the guess, or 70 % with the velocity of least absolute misses, there is no other
    majority, and the consensus search (random minimal samples, Fischler and Bolles 1981, scored by truncated squares) is
    left out.
    """
    rows, target = equations(pair)
    white_rows, white_target = whitened(rows, target, pair.covariance)
    start = None
    if guess_m_s is not None:
        agree = squared_misses(white_rows, white_target, guess_m_s) < _AGREE_SIGMA**2 * scale
        agree |= squared_misses(rows, target, guess_m_s) < near**2
        if share_of(agree) >= _CLEAR_MAJORITY:
            start = agree
    if start is None:
        start = _straight_start(white_rows, white_target, scale)
    if start is None:
        start = _consensus(white_rows, white_target, guess_m_s, scale, rng)
    if start.sum() < 3:
        return None
    return _weighted((rows, target), (white_rows, white_target), start, pair, near if held else 0.0)


@compiled
def _pulls(
    rows: Array, target: Array, covariance: Array, weight: Array, inverse: Array, velocity: Array
) -> tuple[Array, Array]:
    """Give :class:`Solution`'s ``pull`` and ``miss``."""
    pulls, miss = np.empty((len(rows), 3, 2)), np.empty((len(rows), 2))
    for i in range(len(rows)):
        a, b, c = covariance[i, 0, 0], covariance[i, 0, 1], covariance[i, 1, 1]
        by = weight[i] / (a * c - b * b)
        for j in range(3):
            x = inverse[j, 0] * rows[i, 0, 0] + inverse[j, 1] * rows[i, 0, 1] + inverse[j, 2] * rows[i, 0, 2]
            y = inverse[j, 0] * rows[i, 1, 0] + inverse[j, 1] * rows[i, 1, 1] + inverse[j, 2] * rows[i, 1, 2]
            pulls[i, j, 0], pulls[i, j, 1] = by * (c * x - b * y), by * (a * y - b * x)
        for e in range(2):
            miss[i, e] = (
                target[i, e] - rows[i, e, 0] * velocity[0] - rows[i, e, 1] * velocity[1] - rows[i, e, 2] * velocity[2]
            )
    return pulls, miss


def _straight_start(rows: Array, target: Array, scale: float) -> NDArray[np.bool_] | None:
    """Mark the matches near the velocity of least absolute misses, if they are most; None where they are not."""
    weight = np.ones(len(rows))
    for _ in range(_STRAIGHT_ROUNDS):
        square, product = normal_equations(rows, target, weight)
        velocity = inverted(square) @ product
        weight = 1 / np.sqrt(np.maximum(squared_misses(rows, target, velocity), scale))
    agree = squared_misses(rows, target, velocity) < _AGREE_SIGMA**2 * scale
    return agree if share_of(agree) >= _MAJORITY else None


def _consensus(
    rows: Array, target: Array, guess: Array | None, scale: float, rng: np.random.Generator
) -> NDArray[np.bool_]:
    count = len(rows)
    turned = rows.transpose(0, 2, 1)
    squares, products = turned @ rows, (turned @ target[:, :, None])[:, :, 0]
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
            agree = squared_misses(rows, target, velocity) < 2 * limit
            if agree.sum() < 3:
                break
            velocity = np.linalg.lstsq(rows[agree].reshape(-1, 3), target[agree].ravel(), rcond=None)[0]
        squared = squared_misses(rows, target, velocity)
        total = float(np.minimum(squared, limit).sum())
        if total < best_cost:
            best, best_cost = squared < limit, total
    return best


def _all_squares(rows: Array, target: Array, trials: Array) -> Array:
    miss = target.reshape(-1, 1) - rows.reshape(-1, 3) @ trials.T
    return np.asarray((miss**2).reshape(len(rows), 2, -1).sum(axis=1).T)


def _weighted(
    plain: tuple[Array, Array],
    white: tuple[Array, Array],
    start: NDArray[np.bool_],
    pair: PairGeometry,
    kept_near: float,
) -> Solution | None:
    rows, target = plain
    velocity, inverse, weight, spread = _reweighted(*plain, *white, start, kept_near)
    if np.isnan(inverse[0, 0]):
        return None
    pull, miss = _pulls(rows, target, pair.covariance, weight, inverse, velocity)
    return Solution(
        velocity_m_s=velocity,
        covariance=inverse * spread,
        used=weight > _USED,
        scale=spread,
        pull=pull,
        apparent=pair.apparent,
        rows=rows,
        miss=miss,
    )


@compiled
def _reweighted(
    rows: Array, target: Array, white_rows: Array, white_target: Array, start: NDArray[np.bool_], kept_near: float
) -> tuple[Array, Array, Array, float]:
    """Tukey's weights, a few rounds of them: velocity, inverse of its equations, weights (N,) and scatter factor.

    Weights trim the scatter they are judged by: the median, not the weighted mean, tells its size. The inverse is
    NaN where less than three components are determined.
    """
    weight, spread = start.astype(np.float64), 1.0
    for _ in range(_ROUNDS):
        square, product = normal_equations(white_rows, white_target, weight)
        velocity = inverted(square) @ product
        squared = squared_misses(white_rows, white_target, velocity)
        # The median of chi-square with two degrees of freedom is 2 ln 2.
        spread = max(upper_middle(squared[weight > _USED]) / (2 * np.log(2)), 1e-12)
        weight = np.square(np.maximum(1 - squared / (_TUKEY**2 * spread), 0.0))
        if kept_near > 0:
            weight[squared_misses(rows, target, velocity) < kept_near**2] = 1.0
            spread = max(squared[weight > _USED].mean() / 2, 1e-12)
        if np.count_nonzero(weight > _USED) < 3:
            return velocity, np.full((3, 3), np.nan), weight, spread
    return velocity, inverted(normal_equations(white_rows, white_target, weight)[0]), weight, spread
