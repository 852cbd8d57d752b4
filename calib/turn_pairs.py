"""Points of a video followed over a tenth of a second, while the module is turned by hand."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from flow.tracks import LucasKanade, Matches, no_matches
from flow.video import Frame, Video

Array: TypeAlias = NDArray[np.float64]

_FRAME_S = 1 / 30  # between the frames used of a fast video
_BASELINE_S = 0.13  # short enough to keep most of the scene in view, long enough to turn by some degrees
_POINTS = 160
_FEWEST = 12  # matches from which a homography is trusted to lead the search
_LEAD_PX = 3.0
_ASIDE_PX = np.array([3.0, 2.0])  # whole pixels off the aligned place: what stands still looks like a codec copy
_MARGIN_PX = 12  # half a window, and what the warp interpolates from


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnPairs:
    """P pairs of frames with at most T matches each.

    ``first_s``, ``second_s`` (P,) are frame times on the camera's clock; ``first_px``, ``second_px`` (P, T, 2),
    column and row, NaN beyond a pair's own matches; ``covariance_px2`` (P, T, 2, 2) that of the displacement, up to
    a common factor; ``offered`` (P,) how many points of the first picture were worth looking for; ``neighbours`` (P,) how
    many points the second frame shares with the one before it.
    """

    first_s: Array
    second_s: Array
    first_px: Array
    second_px: Array
    covariance_px2: Array
    offered: NDArray[np.intp]
    neighbours: NDArray[np.intp]

    def __len__(self) -> int:
        return len(self.first_s)

    @property
    def middle_s(self) -> Array:
        """Middles (P,) of the intervals, camera's clock."""
        return 0.5 * (self.first_s + self.second_s)

    @property
    def known(self) -> NDArray[np.bool_]:
        """Which matches (P, T) there are."""
        return np.asarray(np.isfinite(self.first_px).all(-1) & np.isfinite(self.second_px).all(-1))

    def only(self, pairs: NDArray[np.bool_] | NDArray[np.intp], tracks: int | None = None) -> TurnPairs:
        """Give some of the pairs, and at most ``tracks`` matches of each."""
        return TurnPairs(
            first_s=self.first_s[pairs],
            second_s=self.second_s[pairs],
            first_px=self.first_px[pairs, :tracks],
            second_px=self.second_px[pairs, :tracks],
            covariance_px2=self.covariance_px2[pairs, :tracks],
            offered=self.offered[pairs],
            neighbours=self.neighbours[pairs],
        )


def collect_pairs(
    video: Video, *, tracks: int = 60, seed: int = 0, progress: Callable[[], None] | None = None
) -> TurnPairs:
    """Match each frame with the one a tenth of a second before.

    Neighbouring frames are matched first; their homographies, one after the other, lead the search over the longer
    interval. Fast videos are thinned out to some thirty frames a second.

    Parameters
    ----------
    video
        The frames.
    tracks
        Matches kept of each pair, drawn at random.
    seed
        Of the drawing.
    progress
        Called once a frame.

    Returns
    -------
    One pair for every frame used but the first few, those without matches included.
    """
    frame_s = float(np.median(np.diff(video.times_s)))
    step = max(round(_FRAME_S / frame_s), 1)
    stride = max(round(_BASELINE_S / (step * frame_s)), 1)
    follow = _Follower(LucasKanade(video.width_px, video.height_px, points=_POINTS, doubt_still=False), stride)
    rng = np.random.default_rng(seed)
    made = []
    for frame in video:
        if progress is not None:
            progress()
        if frame.index % step == 0 and (pair := follow.add(frame)) is not None:
            first, matches, near = pair
            made.append((first, frame.time_s, _drawn(matches, tracks, rng), near))
    return _gathered(made, tracks)


@dataclass(frozen=True, slots=True)
class _Seen:
    """One of the last few frames.

    ``step`` is the homography from the frame found before; None where nothing was found again. ``begins`` says that it is
    the first of its scene. ``neighbours`` counts the points that it shares with the frame before.
    """

    frame: Frame
    step: Array | None
    begins: bool
    neighbours: int


class _Follower:
    """Matches each frame with the one ``stride`` before, led by the motion between neighbours.

    A frame in which nothing is found, as a black one, is passed over: the next is matched with the one before it.
    """

    def __init__(self, tracker: LucasKanade, stride: int) -> None:
        self._tracker, self._stride = tracker, stride
        self._seen: deque[_Seen] = deque(maxlen=stride + 1)
        self._lead = np.eye(3)

    def add(self, frame: Frame) -> tuple[float, Matches, int] | None:
        """Take a frame; give the first frame's time, the matches, and ``neighbours``, once there are enough frames."""
        self._seen.append(self._found(frame))
        if len(self._seen) <= self._stride:
            return None
        first, *others = self._seen
        steps = [seen.step for seen in others if seen.step is not None]
        if first.step is None or others[-1].step is None or any(seen.begins for seen in others):
            return first.frame.time_s, no_matches(offered=others[-1].neighbours), others[-1].neighbours
        chain = np.eye(3)
        for step in steps:
            chain = step @ chain
        return first.frame.time_s, self._aligned(first.frame, frame, chain), others[-1].neighbours

    def _found(self, frame: Frame) -> _Seen:
        known = [k for k, seen in enumerate(self._seen) if seen.step is not None]
        last = len(self._seen) - 1
        if last < 0:
            return _Seen(frame, np.eye(3), begins=True, neighbours=0)
        for before in dict.fromkeys([*known[-1:], last]):  # where both fail the scene has changed, or shows nothing
            near = self._match(self._seen[before].frame, frame, self._lead, far=True)
            if (step := _homography(near)) is not None:
                self._lead = step
                if before not in known:
                    self._seen[before] = replace(self._seen[before], step=np.eye(3), begins=True)
                return _Seen(frame, step, begins=False, neighbours=len(near))
        return _Seen(frame, None, begins=False, neighbours=len(near))

    def _aligned(self, first: Frame, second: Frame, lead: Array) -> Matches:
        """Match with the second picture warped onto the first.

        A tracker that only shifts its window errs where the picture turns: a window whose texture lies off its
        centre goes along by the turn times that distance (a quarter of a pixel at 0.2 rad). Warped by the
        homography, hardly any turn or shift remains.
        """
        size = (second.luma.shape[1], second.luma.shape[0])
        how = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        shifted = lead @ np.array([[1, 0, -_ASIDE_PX[0]], [0, 1, -_ASIDE_PX[1]], [0, 0, 1]])
        warped = cv2.warpPerspective(second.luma, shifted, size, flags=how, borderMode=cv2.BORDER_REPLICATE)
        found = self._tracker.match(first.luma, np.asarray(warped, np.uint8), lambda at: at + _ASIDE_PX, far=False)
        second_px = _moved(shifted, found.second_px)
        inside = ((second_px >= _MARGIN_PX) & (second_px < np.array(size) - _MARGIN_PX)).all(axis=1)
        return replace(found, second_px=second_px).only(np.asarray(inside))

    def _match(self, first: Frame, second: Frame, lead: Array, *, far: bool) -> Matches:
        return self._tracker.match(first.luma, second.luma, lambda points: _moved(lead, points), far=far)


def _moved(homography: Array, points: Array) -> Array:
    solid = np.column_stack([points, np.ones(len(points))]) @ homography.T
    return np.asarray(solid[:, :2] / solid[:, 2:])


def _homography(matches: Matches) -> Array | None:
    if len(matches) < _FEWEST:
        return None
    cv2.setRNGSeed(0)
    found, agree = cv2.findHomography(matches.first_px, matches.second_px, cv2.RANSAC, _LEAD_PX)
    if found is None or agree.sum() < _FEWEST:
        return None
    return np.asarray(found, float)


def _drawn(matches: Matches, tracks: int, rng: np.random.Generator) -> Matches:
    order = rng.permutation(len(matches))[:tracks]
    return Matches(
        first_px=matches.first_px[order],
        second_px=matches.second_px[order],
        covariance_px2=matches.covariance_px2[order],
        offered=matches.offered,
    )


def _gathered(made: list[tuple[float, float, Matches, int]], tracks: int) -> TurnPairs:
    shape = (len(made), tracks)
    first, second = np.full((*shape, 2), np.nan), np.full((*shape, 2), np.nan)
    covariance = np.broadcast_to(np.eye(2), (*shape, 2, 2)).copy()
    for k, (_, _, matches, _) in enumerate(made):
        n = len(matches)
        first[k, :n], second[k, :n] = matches.first_px, matches.second_px
        covariance[k, :n] = matches.covariance_px2
    return TurnPairs(
        first_s=np.array([pair[0] for pair in made]),
        second_s=np.array([pair[1] for pair in made]),
        first_px=first,
        second_px=second,
        covariance_px2=covariance,
        offered=np.array([pair[2].offered for pair in made], np.intp),
        neighbours=np.array([pair[3] for pair in made], np.intp),
    )
