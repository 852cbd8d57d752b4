"""Pictures that are stored twice: by a camera or a recorder that stalled for a moment.

A copy says nothing of the motion, and the next picture shows that of two intervals. Stored without loss the two are the
same; a video codec sends next to nothing for the second, and what it does send differs a little.
"""

from __future__ import annotations

from collections import deque

import numpy as np

from flow.numerics.middle import upper_median
from flow.tracks import Picture

_EVERY_PX = 3  # size: px, every third row and column leaves a few thousand pixels, enough for a mean
_PAIRS, _FEWEST = 15, 4  # size: pairs, that say what is usual; of four the second largest is a quantile
_USUAL = 0.8  # prior: share of pairs, two of three frames may be copies and the quantile is still one of the others
_MOVING = 2.0  # grey levels: of ground that hardly moves a codec sends as little as of a copy
_NOISE = 0.8  # grey levels on average: less than the noise of a new picture
_SENT_ANEW = 0.4  # of the usual change; never twice running, which would be another scene
_LEFT = 0.03  # prior: share of the usual change, of a copy a codec sends a fiftieth (measured, constant rate factors 18 to 30)


class Copies:
    """Tells copies by how little they differ from the picture before, against what pictures usually do.

    Attributes
    ----------
    likely
        Whether the last pair may be a copy sent anew as a whole, which differs by what the codec leaves out: it is one if
        the picture stands although the craft moves (:mod:`flow.faults.standstill`).
    """

    def __init__(self) -> None:
        self._changes: deque[float] = deque(maxlen=_PAIRS)
        self.likely = self._anew = False

    def holds(self, first: Picture, second: Picture) -> bool:
        """Take a pair of pictures (H, W) into account and say whether the second is a copy."""
        if np.array_equal(first, second):
            same, self._anew = bool((first != first[0, 0]).any()), False  # of nothing at all: no light is no stall
            self.likely = same
            return same
        one, two = (each[::_EVERY_PX, ::_EVERY_PX].astype(np.int16) for each in (first, second))
        change = float(np.abs(one - two).mean())
        usual = upper_median(np.array(self._changes), _USUAL) if len(self._changes) >= _FEWEST else 0.0
        self._changes.append(change)  # copies too: a craft that has come to rest is not one for long
        self._anew = not self._anew and _NOISE <= change < _SENT_ANEW * usual
        self.likely = self._anew or change < _NOISE
        return usual > _MOVING and change < min(_NOISE, _LEFT * usual)
