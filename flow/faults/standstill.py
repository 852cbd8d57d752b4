"""Pictures that stand still although the craft moves: a recorder that hangs, a lens that shows its own dirt."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.pair.geometry import PairView
from flow.tracks import Matches

Array: TypeAlias = NDArray[np.float64]

_STILL_PX, _MOVED_PX = 0.08, 0.4
_SENT_ANEW = (
    0.25  # prior: share of the motion expected, a codec that sends a copy as a whole may leave it (measured: 0.2)
)
_HARDEST_BRAKE_M_S2 = (
    6.0  # prior: m/s^2, a rotorcraft that leans by 31 degrees; beyond, the image stopped, not the craft
)


class StandStill:
    """Tells whether the picture stands where it must have moved.

    A turn moves it, unless the last velocity takes the turn back for a moment; of a picture that is a copy but for what a
    codec adds, the last velocity alone, which no craft loses at once. A copy of what has stood so still stands, too.
    """

    def __init__(self) -> None:
        self._stood = False

    def holds(
        self,
        view: PairView,
        matches: Matches,
        guess_m_s: Array | None,
        focal_px: float,
        *,
        copied: bool,
    ) -> bool:
        """Take a pair into account and give the verdict.

        ``guess_m_s`` (3,) is the velocity expected, if there is one; ``copied`` whether the pictures hardly differ
        (:attr:`flow.faults.copies.Copies.likely`).
        """
        self._stood = self._stands(view, matches, guess_m_s, focal_px, copied=copied)
        return self._stood

    def _stands(
        self, view: PairView, matches: Matches, guess_m_s: Array | None, focal_px: float, *, copied: bool
    ) -> bool:
        seen_px = _median_px(matches.second_px - matches.first_px)
        if seen_px >= _STILL_PX and not copied:
            return False
        turned_px = _median_px(view.predict(matches.first_px, np.zeros(3)) - matches.first_px)
        moved_px = turned_px
        if guess_m_s is not None:
            moved_px = _median_px(view.predict(matches.first_px, guess_m_s) - matches.first_px)
        braked_px = _HARDEST_BRAKE_M_S2 * (view.second_s - view.first_s) ** 2 * focal_px / view.plane.distance_m
        stands = seen_px < max(_STILL_PX, _SENT_ANEW * moved_px)
        if copied and stands and (self._stood or moved_px > max(_MOVED_PX, braked_px)):
            return True
        return seen_px < _STILL_PX and min(turned_px, moved_px) > _MOVED_PX


def _median_px(moved: Array) -> float:
    return float(np.nanmedian(np.linalg.norm(moved, axis=1)))
