"""How fast the camera turned over a whole video, by the pictures alone."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.camera import Lens
from flow.pair.picture_turn import turns_of_matches
from flow.tracks import LucasKanade, Matches

Array: TypeAlias = NDArray[np.float64]
Picture: TypeAlias = NDArray[np.uint8]

_STEP_S = 0.025  # between the frames used of a fast video: every one at 30 Hz, every other at 60
_POINTS = 120
_BATCH = 200
_LONGEST_S = 0.25  # two frames further apart share too little
_MOST_KEPT = 4000  # pairs whose matches stay in memory, 4 kB each


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureRates:
    """P pairs of frames: their times (P,) on the camera's clock, and the camera's rate (P, 3), camera axes, rad/s.

    The rates are as if the camera only turned; NaN where the pictures do not tell. ``kept`` holds the matches of pairs
    evenly spread over the video, with the times of both frames.
    """

    first_s: Array
    second_s: Array
    rate_rad_s: Array
    kept: Sequence[tuple[float, float, Matches]] = ()

    @property
    def middle_s(self) -> Array:
        """Middles (P,) of the pairs."""
        return 0.5 * (self.first_s + self.second_s)

    @property
    def known(self) -> NDArray[np.bool_]:
        """Which pairs (P,) tell."""
        return np.asarray(np.isfinite(self.rate_rad_s).all(axis=1))


def picture_rates(
    pictures: Iterable[Picture], times_s: Array, lens: Lens, progress: Callable[[], None] | None = None
) -> PictureRates:
    """Follow points from frame to frame through a whole video.

    Parameters
    ----------
    pictures, times_s
        Grey pictures (H, W) and their times (N,), camera's clock.
    lens
        Of the camera; a rough one will do.
    progress
        Called once a frame.
    """
    tracker = LucasKanade(lens.camera.width_px, lens.camera.height_px, points=_POINTS)
    spans: list[tuple[float, float]] = []
    rates: list[Array] = []
    waiting: list[Matches] = []
    kept: list[tuple[float, float, Matches]] = []
    every = int(min(len(times_s), np.ptp(times_s) / _STEP_S) / _MOST_KEPT) + 1
    before: tuple[float, Picture] | None = None
    for time_s, picture in zip(times_s, pictures, strict=True):
        if progress is not None:
            progress()
        if before is not None and time_s - before[0] < _STEP_S:
            continue
        if before is not None and time_s - before[0] <= _LONGEST_S:
            spans.append((before[0], float(time_s)))
            waiting.append(tracker.match(before[1], picture, lambda points: points, far=True))
            if len(spans) % every == 0:
                kept.append((*spans[-1], waiting[-1]))
        before = float(time_s), picture
        if len(waiting) == _BATCH:
            rates.append(_turns(waiting, lens))
            waiting = []
    rates.append(_turns(waiting, lens))
    first_s, second_s = np.array(spans).reshape(-1, 2).T
    return PictureRates(
        first_s=first_s,
        second_s=second_s,
        rate_rad_s=np.concatenate(rates) / (second_s - first_s)[:, None],
        kept=kept,
    )


def _turns(matches: list[Matches], lens: Lens) -> Array:
    most = max((len(found) for found in matches), default=0)
    first, second = (np.full((len(matches), most, 2), np.nan) for _ in range(2))
    for k, found in enumerate(matches):
        first[k, : len(found)], second[k, : len(found)] = found.first_px, found.second_px
    return turns_of_matches(first, second, lens)
