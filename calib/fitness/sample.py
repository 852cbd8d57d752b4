"""What ``measure`` makes of a sample of the flight: the same code on some seconds of it, before anybody waits for all."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TypeAlias, cast

import numpy as np
from numpy.typing import NDArray

from calib.fitness.finding import Finding
from flow.measure import measure
from flow.recording import Recording
from flow.row import REASONS
from flow.video import Frame, Video
from flow.wording import counted

Array: TypeAlias = NDArray[np.float64]

MOST_REFUSED = 0.5
"""Share of the rows without a speed beyond which a recording is not fit."""

# Stretches in the middle of each third, as a flight begins and ends on the ground. The longest memory of what refuses
# rows, that of the turn check, is 45 pairs.
_STRETCHES, _FRAMES = 3, 46
_MOST_PX = 60_000_000  # of all frames kept, a byte each: as many as a measurement holds


class Sampler:
    """Keeps some frames while a video goes by, and measures them.

    Parameters
    ----------
    times_s
        (N,) of all frames, camera's clock.
    frame_px
        Pixels of a frame: large ones are fewer.
    """

    def __init__(self, times_s: Array, frame_px: int) -> None:
        self._stretches = planned_sample(len(times_s), frame_px)
        self._kept: list[Frame] = []

    def add(self, frame: Frame) -> None:
        """Take the next frame."""
        if any(part.start <= frame.index < part.stop for part in self._stretches):
            self._kept.append(frame)

    def measured(self, recording: Recording) -> Sample:
        """Measure what was kept; ``recording`` gives the logs and the module."""
        if len(self._kept) < 2:
            return Sample(rows=0, refused={})
        kept = cast("Video", _Kept(recording.video(), self._kept))
        # Between stretches lies a hole in the flight, and no row to judge.
        follows = [b.index == a.index + 1 for a, b in zip(self._kept, self._kept[1:], strict=False)]
        results = measure(replace(recording, frames=kept), positions=False)
        rows = [result.row.status for result, counts in zip(results, follows, strict=True) if counts]
        return Sample(rows=len(rows), refused=dict(Counter(status for status in rows if status != "ok").most_common()))


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """How many rows were measured, and how many of them were refused for which reason, the most frequent first."""

    rows: int
    refused: dict[str, int]

    @property
    def refused_share(self) -> float:
        """Share of the rows without a speed; 0 of none."""
        return sum(self.refused.values()) / max(self.rows, 1)

    @property
    def worded(self) -> str:
        """Say how many are refused, and why most of them."""
        reason = next(iter(self.refused))
        share = 100 * self.refused_share
        return f"measure refuses {share:.0f} % of a sample of {counted(self.rows, 'row')}, most of them as {reason}"

    def finding(self) -> Finding:
        """Say so where nothing else says why."""
        reason = next(iter(self.refused))
        return Finding(
            severity="stop",
            topic="rows",
            what=self.worded,
            when_s=None,
            effect=f"rows without speed: {REASONS[reason]}",
            remedy="no single figure of the module file explains it; what else is said here comes first",
        )


def planned_sample(frames: int, frame_px: int) -> list[slice]:
    """Choose the frames of each stretch."""
    length = min(_FRAMES, max(_MOST_PX // (_STRETCHES * frame_px), 2), frames)
    starts = [round((k + 0.5) / _STRETCHES * frames - 0.5 * length) for k in range(_STRETCHES)]
    return [slice(max(start, 0), min(start + length, frames)) for start in starts]


class _Kept:
    """The frames that were kept, as far as a measurement asks for a video."""

    def __init__(self, video: Video, frames: list[Frame]) -> None:
        self.path, self.width_px, self.height_px = video.path, video.width_px, video.height_px
        self.times_s, self.frame_count = np.array([frame.time_s for frame in frames]), len(frames)
        self._frames = frames

    def __iter__(self) -> Iterator[Frame]:
        return iter(self._frames)
