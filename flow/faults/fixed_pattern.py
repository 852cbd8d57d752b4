"""A camera's own pattern taken out of its pictures: bad pixels replaced, the shade of dirt taken off.

Where dirt is strong beside the ground its shade is not known well enough for that, and it hides the ground as well: what
is matched there gets no vote.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.numerics.compiled import compiled
from flow.numerics.middle import upper_median
from flow.tracks import Matches, Picture

Floats: TypeAlias = NDArray[np.float32]
Places: TypeAlias = NDArray[np.int64]
Marks: TypeAlias = NDArray[np.bool_]

_SPOILT = 0.1  # power of dirt against that of the ground's detail from which on a match gets no vote ...
_LEFT_SHARE = 0.3  # ... but so many matches are kept, the best of them
_STEPS = np.array([(dy, dx) for dy in (-1, 0, 1) for dx in (-1, 0, 1) if dy or dx])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FixedPattern:
    """What is wrong with every picture (H, W) alike.

    ``bad`` (N,) are bad pixels, as places in the flat picture; ``around`` and ``weights`` (N, 8) what they are replaced
    with. ``shade`` (H, W) are levels to be taken off, ``spoilt`` (H, W) its power against that of the ground's detail about
    there; both None without dirt.
    """

    bad: Places
    around: Places
    weights: Floats
    shade: Floats | None
    spoilt: Floats | None

    @classmethod
    def of(cls, bad: Marks, shade: Floats | None, spoilt: Floats | None) -> FixedPattern:
        """Make one of marks (H, W) on bad pixels; these are replaced with the good ones around them."""
        rows, columns = bad.shape
        y, x = np.nonzero(bad)
        down = np.clip(y[:, None] + _STEPS[:, 0], 0, rows - 1)
        right = np.clip(x[:, None] + _STEPS[:, 1], 0, columns - 1)
        near = 1.0 / np.square(_STEPS).sum(axis=1)
        weight = np.where(bad[down, right], 1e-9, near)
        weight /= weight.sum(axis=1, keepdims=True)
        return cls(
            bad=y * columns + x,
            around=down * columns + right,
            weights=weight.astype(np.float32),
            shade=shade,
            spoilt=spoilt,
        )

    def removed(self, picture: Picture) -> Picture:
        """Free a picture of it."""
        freed = picture.copy()
        _replace(picture.ravel(), self.bad, self.around, self.weights, freed.ravel())
        if self.shade is not None:
            _take_off(freed.ravel(), self.shade.ravel())
        return freed

    def without_spoilt(self, matches: Matches) -> Matches:
        """Leave out matches where dirt is strong beside the ground."""
        if self.spoilt is None or len(matches) == 0:
            return matches
        at = np.clip(matches.first_px, 0, np.array(self.spoilt.shape[::-1]) - 1).astype(int)
        spoilt = self.spoilt[at[:, 1], at[:, 0]]
        return matches.only(spoilt <= max(_SPOILT, upper_median(spoilt, _LEFT_SHARE)))


@compiled
def _replace(flat: Picture, bad: Places, around: Places, weights: Floats, out: Picture) -> None:
    for i in range(len(bad)):
        level = np.float32(0.5)
        for k in range(weights.shape[1]):
            level += weights[i, k] * np.float32(flat[around[i, k]])
        out[bad[i]] = int(level)


@compiled
def _take_off(flat: Picture, shade: Floats) -> None:
    for i in range(len(flat)):
        flat[i] = int(min(max(np.float32(flat[i]) - shade[i] + np.float32(0.5), np.float32(0)), np.float32(255)))
