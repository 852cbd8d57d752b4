"""Grain that stands in the images while the ground moves: the sensor's own, and as much of it from the first frame on."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from flow.tracks import Picture


class StandingGrain:
    """The share of the grain that stays where it is while the ground moves: the mean of many pictures still has it."""

    _PICTURES, _FEWEST = 20.0, 4.0  # size: images, of the running mean, and before it tells

    def __init__(self) -> None:
        self._mean: NDArray[np.float32] | None = None
        self._one, self.count = 0.0, 0.0
        self.share = 0.0
        """Share of the variance; none before enough is known."""

    def add(self, picture: Picture) -> None:
        """Take a freed picture of ground that has moved since the last by more than its grain is wide."""
        grain = picture[::2].astype(np.float32) - 128.0
        self.count = min(self.count + 1, self._PICTURES)
        share = np.float32(1 / self.count)
        self._mean = share * grain if self._mean is None else self._mean + share * (grain - self._mean)
        self._one += float(share) * (float(grain.var()) - self._one)
        if self.count >= self._FEWEST:
            # Of pictures independent of each other a running mean keeps so much.
            chance = 1 / self.count if self.count < self._PICTURES else 1 / (2 * self._PICTURES - 1)
            self.share = float(self._mean.var()) / max(self._one, 1e-6) - chance
