"""How far matches scatter around the velocity they agree on: by the noise of the pixels, and whatever the texture.

A match's own covariance follows from pixel noise and texture. A video codec, ground that is not quite level and a lens
model that is not quite right add a displacement that strong texture does not lessen. Which share is which shows over
time: the one falls with texture, the other does not.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.tracks import Matches
from flow.velocity import Solution

Array: TypeAlias = NDArray[np.float64]


def scatter_px2(solution: Solution, focal_px: float) -> Array:
    """Square by which each match that agrees (N,) misses, px^2, for a median that is the variance along one axis."""
    # The median of chi-square with two degrees of freedom is 2 ln 2.
    miss_px = solution.miss[solution.used] * focal_px
    return np.asarray(np.einsum("ni,ni->n", miss_px, miss_px) / (2 * np.log(2)))


class MatchNoise:
    """Covariance of matches as the pairs before have shown it: ``gain`` x their own + ``floor_px2`` x the identity."""

    _PAIRS = 20.0  # that count
    _BELIEF_PX = 0.03  # floor before anything is known
    _LEAST_GAIN, _MOST_GAIN = 0.25, 25.0

    def __init__(self) -> None:
        self.gain, self.floor_px2 = 1.0, self._BELIEF_PX**2
        self.scale = 1.0
        """Scatter factor of the pairs before on the covariance given out."""
        self._seen: Array | None = None  # (2, 2): variance by texture and variance shown, of the better and worse half

    def applied(self, matches: Matches) -> Matches:
        """Give the matches with the covariance that they should be weighed by."""
        return replace(matches, covariance_px2=self.gain * matches.covariance_px2 + self.floor_px2 * np.eye(2))

    def learn(self, matches: Matches, solution: Solution, focal_px: float) -> None:
        """Learn from a pair: ``matches`` with their own covariance, and what came of them."""
        self.scale += 0.1 * (solution.scale - self.scale)
        by_texture = 0.5 * np.trace(matches.covariance_px2[solution.used], axis1=1, axis2=2)
        shown = scatter_px2(solution, focal_px)
        halves = np.array_split(np.argsort(by_texture), 2)
        now = np.array([[np.median(by_texture[half]), np.median(shown[half])] for half in halves])
        self._seen = now if self._seen is None else self._seen + (now - self._seen) / self._PAIRS
        (fine, fine_shown), (coarse, coarse_shown) = self._seen
        gain = (coarse_shown - fine_shown) / max(coarse - fine, 1e-3 * coarse)
        self.gain = float(np.clip(gain, self._LEAST_GAIN, self._MOST_GAIN))
        self.floor_px2 = float(max(fine_shown - self.gain * fine, 0.0))

    def note_unusual(self, solution: Solution) -> None:
        """Let a pair that shows more than one plane count a little, in case it lasts."""
        self.scale += 0.01 * (min(solution.scale, 4 * self.scale) - self.scale)
