"""The parts of a flight that are looked at closely: pairs of frames and the gyro around them, in bounded memory."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TypeAlias, cast

import numpy as np
from numpy.typing import NDArray

from calib.turn_pairs import TurnPairs, collect_pairs
from flow.series import GyroSamples
from flow.video import Frame, Video

Array: TypeAlias = NDArray[np.float64]

LONGEST_S = 20.0
"""Length of a stretch, s: within it the gyro's bias hardly wanders."""

MOST = 6
"""How many stretches; of longer flights they lie evenly spread."""

HOLE_STEPS, HOLE_LEAST_S = 4.0, 0.012
"""A hole in a gyro log longer than so many usual steps, and than this, is not bridged (as in :mod:`flow.rotation`)."""

_LONGEST_PAIR_S = 0.3
_SHORTEST_S = 2.0  # of a part between holes


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Pairs of frames that the gyro covers, and the gyro samples around them (gyro clock, bias not subtracted)."""

    pairs: TurnPairs
    gyro: GyroSamples

    @property
    def span_s(self) -> tuple[float, float]:
        """First and last frame time, camera's clock."""
        return float(self.pairs.first_s[0]), float(self.pairs.second_s[-1])


def planned(times_s: Array) -> list[slice]:
    """Choose the frames of each stretch."""
    begin, end = float(times_s[0]), float(times_s[-1])
    count = int(np.clip(np.ceil((end - begin) / LONGEST_S), 1, MOST))
    length = min(LONGEST_S, (end - begin) / count)
    starts = np.linspace(begin, end - length, count)
    edges = np.searchsorted(times_s, np.stack([starts, starts + length + 1e-9]), "left")
    edges[1] = np.searchsorted(times_s, starts + length, "right")
    edges[0, 1:] = np.maximum(edges[0, 1:], edges[1, :-1])  # a frame belongs to one stretch
    return [slice(int(a), int(b)) for a, b in edges.T if b - a >= 2]


def follow(video: Video, watch: Callable[[Frame], None]) -> list[TurnPairs]:
    """Decode the video once: ``watch`` sees each frame, and the frames of each stretch are matched in pairs."""
    frames = _Watched(video, watch)
    found = []
    for part in planned(video.times_s):
        frames.skip_to(part.start)
        found.append(collect_pairs(cast("Video", _Part(video, part, frames))))
    frames.skip_to(video.frame_count)
    return found


class _Watched:
    """Frames of a video in order, each shown to ``watch``."""

    def __init__(self, video: Video, watch: Callable[[Frame], None]) -> None:
        self._frames, self._watch, self._next = iter(video), watch, 0

    def up_to(self, stop: int) -> Iterator[Frame]:
        while self._next < stop:
            frame = next(self._frames)
            self._watch(frame)
            self._next += 1
            yield frame

    def skip_to(self, index: int) -> None:
        for _ in self.up_to(index):
            pass


class _Part:
    """Some consecutive frames of a video, as far as :func:`collect_pairs` asks for one."""

    def __init__(self, video: Video, part: slice, frames: _Watched) -> None:
        self.times_s = video.times_s[part]
        self.width_px, self.height_px = video.width_px, video.height_px
        self._part, self._frames = part, frames

    def __iter__(self) -> Iterator[Frame]:
        return self._frames.up_to(self._part.stop)


class GyroKeeper:
    """Keeps the gyro samples around each stretch of pairs while the log streams by."""

    def __init__(self, found: Iterable[TurnPairs], offset_s: float, spare_s: float) -> None:
        self._pairs = [pairs for pairs in found if len(pairs)]
        self._spans = [
            (float(p.first_s[0]) + offset_s - spare_s, float(p.second_s[-1]) + offset_s + spare_s) for p in self._pairs
        ]
        self._kept: list[list[GyroSamples]] = [[] for _ in self._pairs]

    def add(self, samples: GyroSamples) -> None:
        """Take the next samples of the log."""
        for span, kept in zip(self._spans, self._kept, strict=True):
            rows = slice(*np.searchsorted(samples.time_s, span))
            if rows.stop > rows.start:
                kept.append(samples.part(rows))

    def stretches(self, offset_s: float, spare_s: float, copies_s: Sequence[float]) -> list[Stretch]:
        """Give the stretches, split where the log has holes: across one nobody knows how the craft turned.

        Parameters
        ----------
        offset_s
            Camera time + offset = gyro time.
        spare_s
            Of log around each pair, where it reaches.
        copies_s
            Stamps of frames that are copies: pairs with one are left out.
        """
        made = []
        for pairs, parts in zip(self._pairs, self._kept, strict=True):
            good = pairs.known.any(axis=1) & (pairs.second_s - pairs.first_s < _LONGEST_PAIR_S)
            good &= ~np.isin(pairs.first_s, copies_s) & ~np.isin(pairs.second_s, copies_s)
            for gyro in _unbroken(parts):
                inside = good & _within(pairs, gyro, offset_s, spare_s)
                if inside.sum() > 1 and np.ptp(pairs.middle_s[inside]) > _SHORTEST_S:
                    made.append(Stretch(pairs=pairs.only(inside), gyro=gyro))
        return made


def _unbroken(parts: Sequence[GyroSamples]) -> list[GyroSamples]:
    """Join the parts of a log, and split it at its holes."""
    if not parts:
        return []
    accel = [part.accel_m_s2 for part in parts if part.accel_m_s2 is not None]
    whole = GyroSamples(
        time_s=np.concatenate([part.time_s for part in parts]),
        rate_rad_s=np.concatenate([part.rate_rad_s for part in parts]),
        accel_m_s2=np.concatenate(accel) if len(accel) == len(parts) else None,
    )
    steps = np.diff(whole.time_s)
    if not len(steps):
        return []
    holes = np.flatnonzero(steps > max(HOLE_STEPS * float(np.median(steps)), HOLE_LEAST_S)) + 1
    edges = [0, *map(int, holes), len(whole.time_s)]
    return [whole.part(slice(a, b)) for a, b in pairwise(edges) if b - a > 10]


def _within(pairs: TurnPairs, gyro: GyroSamples, offset_s: float, spare_s: float) -> NDArray[np.bool_]:
    """Mark the pairs (P,) that lie within the log; at its ends ``spare_s`` more is asked for, for the rows' own times."""
    begin, end = float(gyro.time_s[0]) + spare_s, float(gyro.time_s[-1]) - spare_s
    return np.asarray((pairs.first_s + offset_s > begin) & (pairs.second_s + offset_s < end))
