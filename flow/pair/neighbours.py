"""Matches that err together with their neighbours: a codec's artefacts, grass that sways, a lens that is not quite right.

The covariance of a velocity takes matches for independent. Where the residuals of one part of the view are alike,
there are fewer independent ones than it seems.
"""

from __future__ import annotations

from collections import deque
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.pair.equations import PairGeometry
from flow.pair.velocity import Solution

Array: TypeAlias = NDArray[np.float64]

_COLUMNS, _ROWS = 5, 4  # size: parts of the view, about a dozen matches each
_PAIRS = 12  # size: pairs, of a running mean
_CHANCE = 1.3  # rate: 1 in 800, the mean of chi-square over 12 pairs of 20 parts, where matches are independent
_BLOCKS = 25  # size: means, over so many pairs each, of which the least counts: some seconds
_CODED = 2.0  # prior: ratio, coded recordings show 2.5 to 9 and lossless ones no more than chance (measured)
_FIRST = 4  # size: pairs, that count before the first mean is whole
_LEAST = 0.82  # rate: 1 in 50, of their mean, two sigmas of chi-square over 12 pairs of 20 parts below it
_TINY = 1e-18  # size: m^2/s^2, no division by 0


class NeighbourScatter:
    """Learns how many times a variance is larger than independent matches would leave it.

    Variance by parts of the view: the contributions of the matches of a part are summed before they are squared (a
    cluster-robust variance; Liang and Zeger 1986).
    """

    def __init__(self) -> None:
        self._ratio, self._pairs = np.ones(2), 1
        self._across: list[float] = []
        self._blocks: deque[float] = deque(maxlen=_BLOCKS)

    @property
    def across(self) -> float:
        """Factor on variances of residuals across the motion, 1 or more, in images without anything unusual.

        What stands higher than the ground moves faster along the same line: relief is told from noise by the residuals across
        that. Yet a fit of one plane to an edge leaves some of it across, too, while that is in view. A codec is always there: the
        least mean of the last seconds is its own (minimum statistics; Martin 2001, IEEE Trans. Speech Audio Process. 9).
        """
        least = [each / _LEAST for each in self._blocks]
        if not least and len(self._across) >= _FIRST:
            least = [float(np.mean(self._across))]
        ratio = min(least, default=1.0)
        return ratio if ratio > _CHANCE else 1.0

    @property
    def coded(self) -> bool:
        """Whether a codec is the likeliest reason: neighbours err alike in images without anything unusual."""
        return self.across > _CODED

    def factor(self, pair: PairGeometry, solution: Solution) -> float:
        """Take a pair into account; give the factor on the covariance of its velocity, 1 or more."""
        used = solution.used
        part = _parts(pair.first_ray[used, :2])
        shares = np.einsum("nij,nj->ni", solution.pull[used], solution.miss[used])[:, :2]
        self._pairs = min(self._pairs + 1, _PAIRS)
        self._ratio += (np.array([_ratio(part, share) for share in shares.T]) - self._ratio) / self._pairs
        expected = np.einsum("nij,j->ni", solution.rows[used], solution.velocity_m_s)
        length = np.sqrt(np.maximum(np.square(expected).sum(axis=1), _TINY))
        across = (expected[:, 0] * solution.miss[used, 1] - expected[:, 1] * solution.miss[used, 0]) / length
        size = np.sqrt(np.trace(pair.covariance[used], axis1=1, axis2=2))
        self._across.append(_ratio(part, across / size))
        if len(self._across) == _PAIRS:
            self._blocks.append(float(np.mean(self._across)))
            self._across.clear()
        ratio = float(self._ratio.max())
        return ratio if ratio > _CHANCE else 1.0


def _parts(places: Array) -> NDArray[np.int64]:
    """Part of the view (N,) that each place (N, 2) lies in."""
    low, high = places.min(axis=0), places.max(axis=0)
    at = ((places - low) / np.maximum(high - low, 1e-9) * [_COLUMNS, _ROWS]).astype(int)
    return np.asarray(np.minimum(at[:, 0], _COLUMNS - 1) + _COLUMNS * np.minimum(at[:, 1], _ROWS - 1))


def _ratio(part: NDArray[np.int64], share: Array) -> float:
    """Sum of the squared sums over parts, of the sum of squares."""
    sums = np.bincount(part, share, _COLUMNS * _ROWS)
    return float(sums @ sums / max(float(share @ share), _TINY))
