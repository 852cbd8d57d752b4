"""Matches that err together with their neighbours: grass that sways, a lens that is not quite right.

The covariance of a velocity takes matches for independent. Where patches of the ground move by themselves, or the picture
is bent, those of one part of the view err alike, and there are fewer independent ones than it seems.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.pair.equations import PairGeometry
from flow.pair.velocity import Solution

Array: TypeAlias = NDArray[np.float64]

_COLUMNS, _ROWS = 5, 4  # parts of the view: about a dozen matches each
_PAIRS = 12  # that count
_CHANCE = 1.3  # what independent matches may show in so many pairs


class NeighbourScatter:
    """Learns how many times the variance of a velocity is larger than independent matches would leave it.

    Variance by parts of the view: the contributions of the matches of a part are summed before they are squared (a
    cluster-robust variance; Liang and Zeger 1986).
    """

    def __init__(self) -> None:
        self._ratio, self._pairs = np.ones(2), 1

    def factor(self, pair: PairGeometry, solution: Solution) -> float:
        """Take a pair into account; give the factor on its covariance, 1 or more."""
        used = solution.used
        shares = np.einsum("nij,nj->ni", solution.pull[used], solution.miss[used])[:, :2]
        places = pair.first_ray[used, :2]
        low, high = places.min(axis=0), places.max(axis=0)
        at = ((places - low) / np.maximum(high - low, 1e-9) * [_COLUMNS, _ROWS]).astype(int)
        part = np.minimum(at[:, 0], _COLUMNS - 1) + _COLUMNS * np.minimum(at[:, 1], _ROWS - 1)
        sums = np.array([np.bincount(part, share, _COLUMNS * _ROWS) for share in shares.T])
        alone = np.square(shares).sum(axis=0)
        self._pairs = min(self._pairs + 1, _PAIRS)
        self._ratio += (np.square(sums).sum(axis=1) / np.maximum(alone, 1e-18) - self._ratio) / self._pairs
        ratio = float(self._ratio.max())
        return ratio if ratio > _CHANCE else 1.0
