"""Ground that is not one plane: a step, a table top, a bench in view.

What stands higher passes faster, in the same direction. The height is that of what the range sensor meets, which may
be the one or the other, so a row that sees both says so in its band.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.velocity import PairGeometry, Solution

Array: TypeAlias = NDArray[np.float64]

_ALONG_SIGMA = 3.5  # how far off the direction of travel a match may move
_SURE = 0.1  # one-sigma of a match's relative speed that tells depths apart
_NEAREST, _FARTHEST = 2.5, 0.4  # relative speeds of what may be ground
_LEAST, _LEAST_SHARE = 8, 0.05
_UNUSUAL = 4.0  # scatter against the usual one; 2.3 was the most on clean flights, any codec
_LEAST_LEAN, _LEAN_SIGMAS = 0.06, 6.0  # of the speed, a unit of ray: ground that is nearer at one end of the view
_FOLDS = 4  # two planes taken for one bend the fit as a whole: no more than so many matches are independent


def relief_error(
    pair: PairGeometry, solution: Solution, usual_scale: float, tilt_sigma_rad: float = 0.0
) -> Array | None:
    """One-sigma effects of a second depth in view, (3, k), m/s, camera axes; None on level ground.

    Parameters
    ----------
    pair, solution
        The equations and what came of them.
    usual_scale
        ``Solution.scale`` of the pairs before.
    tilt_sigma_rad
        How far the ground may lean for no other reason than that the tilt is not known better.

    Notes
    -----
    A share p of the matches that moves k times as fast as the ground moves is under the range sensor with
    probability p; the velocity is then wrong by (k - 1) v, in the mean square by p (k - 1)^2 v^2. Where the two depths
    differ by less than the scatter allows to tell, one velocity is fitted to both: the ground seems to lean, and the scatter
    grows.
    """
    columns = []
    found = _second_depth(pair, solution)
    if found is not None:
        share, faster = found
        columns.append(np.sqrt(share) * (faster - 1) * solution.velocity_m_s[:, None])
    lean = _lean(pair, solution)
    if lean is not None and lean[0] > _LEAST_LEAN + 4 * tilt_sigma_rad:
        columns.append(lean[1] * solution.velocity_m_s[:, None])
    excess = 1 - _UNUSUAL * usual_scale / solution.scale
    if excess > 0:
        folds = max(int(solution.used.sum()) / _FOLDS, 1.0)
        columns.append(np.linalg.cholesky(solution.covariance) * np.sqrt(excess * folds))
    return np.hstack(columns) if columns else None


def _second_depth(pair: PairGeometry, solution: Solution) -> tuple[float, float] | None:
    """Share of the matches that agree on another depth, and how many times as fast they move."""
    out = ~solution.used
    least = max(_LEAST, _LEAST_SHARE * len(out))
    if out.sum() < least:
        return None
    expected = solution.rows[out] @ solution.velocity_m_s
    target = expected + solution.miss[out]
    square = np.maximum(np.einsum("ni,ni->n", expected, expected), 1e-18)
    faster = np.einsum("ni,ni->n", expected, target) / square
    variance = 0.5 * solution.scale * np.trace(pair.covariance[out], axis1=1, axis2=2)
    aside = np.einsum("ni,ni->n", *2 * [target - faster[:, None] * expected])
    sigma = np.sqrt(variance / square)
    along = (aside < _ALONG_SIGMA**2 * variance) & (sigma < _SURE) & (faster > _FARTHEST) & (faster < _NEAREST)
    if along.sum() < max(least, 0.6 * out.sum()):
        return None
    middle = float(np.median(faster[along]))
    agree = np.abs(faster[along] - middle) < np.maximum(3 * sigma[along], 0.05)
    if agree.sum() < max(least, 0.5 * along.sum()):
        return None
    return float(agree.sum()) / len(out), middle


def _lean(pair: PairGeometry, solution: Solution) -> tuple[float, float] | None:
    """Slope of the relative speed over the view, a unit of ray, and its spread over the matches; None without motion."""
    used = solution.used
    expected = solution.rows[used] @ solution.velocity_m_s
    square = np.maximum(np.einsum("ni,ni->n", expected, expected), 1e-18)
    faster = np.einsum("ni,ni->n", expected, solution.miss[used]) / square
    weight = 2 * square / (solution.scale * np.trace(pair.covariance[used], axis1=1, axis2=2))
    places = np.column_stack([pair.first_ray[used, :2], np.ones(len(faster))])
    normal = places.T @ (weight[:, None] * places)
    covariance = np.linalg.inv(normal + 1e-9 * np.trace(normal) * np.eye(3))
    slope = covariance @ (places.T @ (weight * faster))
    size = float(np.hypot(slope[0], slope[1]))
    if size < _LEAN_SIGMAS * float(np.sqrt(np.trace(covariance[:2, :2]))):
        return None
    return size, float(np.std(places[:, :2] @ slope[:2]))
