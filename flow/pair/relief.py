"""Ground that is not one plane: a step, a table top, a bench in view.

What stands higher passes faster, in the same direction. The height is that of what the range sensor meets, which may
be the one or the other, so a row that sees both says so in its band.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.numerics.middle import MEDIAN_SQUARE
from flow.pair.equations import PairGeometry
from flow.pair.velocity import Solution

Array: TypeAlias = NDArray[np.float64]

_ALONG_SIGMA = 3.5  # rate: 5e-4 two-sided, of matches: how far off the direction of travel one may move
_SURE = 0.1  # one-sigma of a match's relative speed that tells depths apart
_NEAREST = 2.5  # prior: ratio, relative speed of what may be ground, at 0.4 of the distance
_FARTHEST = 1 / _NEAREST
_LEAST = 8  # size: matches, whose median tells a depth
_LEAST_SHARE = 0.05
_ALONG_SHARE, _ALIKE = 0.6, 0.05  # of what does not agree, that moves the same way; and how alike its speeds are
_UNUSUAL = 4.0  # scatter against the usual one; 2.3 was the most on clean flights, any codec
_LEAST_LEAN = 0.06  # of the speed, a unit of ray: ground that is nearer at one end of the view
_LEAN_SIGMAS = 6.0  # rate: 2e-9 two-sided, six sigmas
_EDGE_LEAST = 5.5  # rate: 1 in 1e6 pairs, 24 steps of 4e-8 two-sided
_EDGE_UNUSUAL, _EDGE_STEP = 2.0, 0.03  # as many times as sure as pairs usually are of one that is none; and a share
_EDGE_AGAIN, _EDGE_LASTS = 0.7, 4  # of that, once two pairs running have shown one; pairs for which it counts then
_EDGE_USUAL = 3.0  # prior: sigmas, the surest step before any was seen; of 24 independent ones chance makes it 2.2
_EDGE_PAIRS, _EDGE_MEMORY = 10, 60  # size: pairs, that the prior counts as, and of the running mean
_EDGE_SLOWEST_M_S = 0.1  # below, a difference of speed is noise, and no error worth a word
_EDGE_CUTS = np.linspace(0.12, 0.88, 6)  # size: shares, of the matches that are on one side
_EDGE_WAYS = np.array([[np.cos(way), np.sin(way)] for way in np.arange(4) * np.pi / 4]).T
_TINY = 1e-18  # size: rays squared, no division by 0
_FOLDS = 4  # two planes taken for one bend the fit as a whole: no more than so many matches are independent


class ReliefWatch:
    """Watches for relief from pair to pair: :func:`relief_error`, and edges too low to tell from a single pair.

    Where an edge crosses the view, one side moves faster than the other all along; noise does not do so twice at the
    same place. How much of it the pictures show anyhow, video codecs above all, is learnt.
    """

    def __init__(self) -> None:
        self._usual, self._pairs = _EDGE_USUAL, _EDGE_PAIRS
        self._running, self._left = 0, 0  # pairs that showed an edge, and pairs for which a confirmed one still counts

    def error(
        self,
        pair: PairGeometry,
        solution: Solution,
        usual_scale: float,
        tilt_sigma_rad: float = 0.0,
        alike: float = 1.0,
    ) -> Array | None:
        """Take a pair into account; give what :func:`relief_error` gives."""
        found = relief_error(pair, solution, usual_scale, tilt_sigma_rad, alike)
        if float(np.linalg.norm(solution.velocity_m_s)) < _EDGE_SLOWEST_M_S:
            self._running = self._left = 0
            return found
        sure, faster, share = _edge(pair, solution, alike)
        least = max(_EDGE_LEAST, _EDGE_UNUSUAL * self._usual) * (_EDGE_AGAIN if self._left else 1.0)
        if sure > least and abs(faster) > _EDGE_STEP:
            self._running += 1
            self._left = _EDGE_LASTS if self._running > 1 else self._left
        else:
            self._running, self._left = 0, max(self._left - 1, 0)
            if not self._left:
                self._pairs = min(self._pairs + 1, _EDGE_MEMORY)
                self._usual += (sure - self._usual) / self._pairs
        edge = np.sqrt(share) * faster * solution.velocity_m_s[:, None]
        if self._left == 0 or (found is not None and np.linalg.norm(found) > np.linalg.norm(edge)):
            return found
        return np.asarray(edge if found is None else np.hstack([found, edge]))


def relief_error(
    pair: PairGeometry,
    solution: Solution,
    usual_scale: float,
    tilt_sigma_rad: float = 0.0,
    alike: float = 1.0,
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
    alike
        How many times as much variance neighbours that err alike leave in means over parts of the view as independent matches
        would (:attr:`flow.pair.neighbours.NeighbourScatter.across`).

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
    lean = _lean(pair, solution, alike)
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
    square = np.maximum(np.einsum("ni,ni->n", expected, expected), _TINY)
    faster = np.einsum("ni,ni->n", expected, target) / square
    variance = 0.5 * solution.scale * np.trace(pair.covariance[out], axis1=1, axis2=2)
    aside = np.einsum("ni,ni->n", *2 * [target - faster[:, None] * expected])
    sigma = np.sqrt(variance / square)
    along = (aside < _ALONG_SIGMA**2 * variance) & (sigma < _SURE) & (faster > _FARTHEST) & (faster < _NEAREST)
    if along.sum() < max(least, _ALONG_SHARE * out.sum()):
        return None
    middle = float(np.median(faster[along]))
    agree = np.abs(faster[along] - middle) < np.maximum(3 * sigma[along], _ALIKE)
    if agree.sum() < max(least, 0.5 * along.sum()):
        return None
    return float(agree.sum()) / len(out), middle


def _lean(pair: PairGeometry, solution: Solution, alike: float) -> tuple[float, float] | None:
    """Slope of the relative speed over the view, a unit of ray, and its spread over the matches; None without motion."""
    used = solution.used
    expected = solution.rows[used] @ solution.velocity_m_s
    square = np.maximum(np.einsum("ni,ni->n", expected, expected), _TINY)
    faster = np.einsum("ni,ni->n", expected, solution.miss[used]) / square
    weight = 2 * square / (solution.scale * np.trace(pair.covariance[used], axis1=1, axis2=2))
    places = np.column_stack([pair.first_ray[used, :2], np.ones(len(faster))])
    normal = places.T @ (weight[:, None] * places)
    covariance = np.linalg.inv(normal + 1e-9 * np.trace(normal) * np.eye(3))
    slope = covariance @ (places.T @ (weight * faster))
    size = float(np.hypot(slope[0], slope[1]))
    if size < _LEAN_SIGMAS * float(np.sqrt(alike * np.trace(covariance[:2, :2]))):
        return None
    return size, float(np.std(places[:, :2] @ slope[:2]))


def _edge(pair: PairGeometry, solution: Solution, alike: float) -> tuple[float, float, float]:
    """How sure it is that an edge crosses the view, how much faster one side moves, and the share of the smaller side.

    The relative speed over the view less its slope (a tilt leaves one) is held against steps in four directions, six in
    each; the surest one counts, in sigmas by the scatter that is left, and by how far matches err together.
    """
    used = solution.used
    expected = solution.rows[used] @ solution.velocity_m_s
    square = np.maximum(np.einsum("ni,ni->n", expected, expected), _TINY)
    root = np.sqrt(2 * square / (solution.scale * np.trace(pair.covariance[used], axis1=1, axis2=2)))
    places = pair.first_ray[used, :2]
    level, _ = np.linalg.qr(np.column_stack([places, np.ones(len(places))]) * root[:, None])
    faster = root * np.einsum("ni,ni->n", expected, solution.miss[used]) / square
    along = places @ _EDGE_WAYS
    beyond = along[:, None, :] > np.quantile(along, _EDGE_CUTS, axis=0)[None]
    steps = beyond.reshape(len(places), -1) * root[:, None]
    faster, steps = faster - level @ (level.T @ faster), steps - level @ (level.T @ steps)
    strength = np.square(steps).sum(axis=0)
    found = faster @ steps
    scatter = max(float(np.median(np.square(faster))) / MEDIAN_SQUARE, 1e-30)
    sure = np.abs(found) / np.sqrt(strength * alike * scatter)
    best = int(np.argmax(sure))
    share = float(beyond.reshape(len(places), -1)[:, best].mean())
    return float(sure[best]), float(found[best] / strength[best]), min(share, 1 - share)
