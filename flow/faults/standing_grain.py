"""Grain that stands in the images while the ground moves: the sensor's own, and as much of it from the first frame on."""

from __future__ import annotations

from copy import copy

import numpy as np
from numpy.typing import NDArray

from flow.tracks import Picture


class StandingGrain:
    """The share of the grain that stays where it is while the ground moves: the mean of many pictures still has it."""

    _PICTURES, _FEWEST = 20.0, 4.0  # size: images, of the running mean, and before it tells

    def __init__(self) -> None:
        self._mean: NDArray[np.float32] | None = None
        self._one, self.count = 0.0, 0.0
        self._kept = 0.0  # share of the variance of independent pictures that is left in the mean
        self._heard = self._known = 0  # pictures of this pass, and those that a pass before has heard
        self.share = 0.0
        """Share of the variance; none before enough is known."""

    def begun_again(self) -> StandingGrain:
        """Give what is known for the same pictures from the first one on: once more they would be taken for grain that stands."""
        again = copy(self)
        again._heard, again._known = 0, max(self._heard, self._known)
        return again

    def add(self, picture: Picture) -> None:
        """Take a freed picture of ground that has moved since the last by more than its grain is wide."""
        self._heard += 1
        if self._heard <= self._known:
            return
        grain = picture[::2].astype(np.float32) - 128.0
        self.count = min(self.count + 1, self._PICTURES)
        share = np.float32(1 / self.count)
        self._mean = share * grain if self._mean is None else self._mean + share * (grain - self._mean)
        self._one += float(share) * (float(grain.var()) - self._one)
        self._kept = float((1 - share) ** 2 * self._kept + share**2)
        if self.count >= self._FEWEST:
            self.share = float(self._mean.var()) / max(self._one, 1e-6) - self._kept
