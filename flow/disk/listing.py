"""What a video file says about itself, read from its packets: no picture is decoded."""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TypeAlias

import av
import numpy as np
from numpy.typing import NDArray

from flow.disk.container import open_container
from flow.disk.on_disk import LongColumn
from flow.errors import DataError
from flow.wording import counted

Array: TypeAlias = NDArray[np.float64]

_NO_TIMESTAMPS = 0x0080  # AVFMT_NOTIMESTAMPS: a bare stream, whose times the demuxer would make up
_REORDERED = 32  # pictures that may wait for an earlier one: no codec has more than 16
_STEPS = 65_536  # at the end of a file, which tell its usual step


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """What was found: size of the pictures, their number, and their times in order of presentation.

    ``times_s`` (N,) is the container's own, read-only; None where it has none, or not for each picture.
    """

    size_px: tuple[int, int]
    count: int
    times_s: Array | None


def list_pictures(path: Path, *, timed: bool) -> Listing:
    """Read a file through, and check that it keeps its word.

    Parameters
    ----------
    path
        The file.
    timed
        Whether other times than the container's count.

    Raises
    ------
    DataError
        Unreadable, no video, no frame, cut short; unless ``timed``, no time stamps, or such that repeat or run backwards.
    """
    said = _read(path)
    stamps = said.stamps
    if not stamps.count or not all(said.size_px):
        raise DataError("holds no frame", path=path)
    if said.declared > said.held:
        # An AVI counts slots of a fixed rate and may leave some empty: then it is whole, its times rough.
        missing = said.declared - stamps.largest
        whole = said.is_avi and missing <= stamps.widest
        if not (whole and timed):
            remedy = "some slots are empty; give true times in frames.csv" if whole else "is it cut short?"
            counts = f"declares {counted(said.declared, 'frame')} and holds {said.held}"
            raise DataError(f"{counts}; {remedy}", path=path)
    if said.incomplete is not None:
        problem = f"the data of frame {said.incomplete} is incomplete; is the file cut short?"
        raise DataError(problem, path=path)
    times_s = stamps.finish()
    if times_s is not None:
        _check_end(path, times_s, said.declared_s)
    if not timed:
        if times_s is None:
            raise DataError("carries no time stamps; put them into frames.csv beside it (frame,time_s)", path=path)
        _check_order(path, times_s)
    return Listing(size_px=said.size_px, count=stamps.count, times_s=times_s)


def video_stream(container: av.container.InputContainer, path: Path) -> av.VideoStream:
    """Give the stream of pictures that counts.

    Raises
    ------
    DataError
        There is none that can be decoded.
    """
    stream = container.streams.best("video")
    if not isinstance(stream, av.VideoStream) or stream.codec_context is None:
        raise DataError("holds no video that can be decoded", path=path)
    return stream


def backwards(path: Path, index: int, before_s: float, time_s: float) -> DataError:
    """Word a time that does not increase."""
    how = "repeats" if time_s == before_s else "runs backwards"
    times = f"{time_s:.6f} s after {before_s:.6f} s"
    return DataError(f"time {how} at frame {index}: {times}; give true times in frames.csv", path=path)


def reason(error: BaseException) -> str:
    """Give what a library says went wrong."""
    return (getattr(error, "strerror", None) or str(error)).lower()


class _Stamps:
    """The stamps of the pictures to show as they come, put in order of presentation on the way."""

    def __init__(self, base: Fraction | None, *, reorder: bool) -> None:
        self.count = 0
        self.largest = 0
        self.widest = 1
        self._base = base
        self._held = _REORDERED if reorder else 0
        self._unknown = base is None
        self._waiting: list[int] = []
        self._before: int | None = None
        self._times = LongColumn()

    def add(self, stamp: int | None) -> None:
        """Take the next in stored order."""
        self.count += 1
        if stamp is None:
            self._unknown = True
            return
        self.largest = max(self.largest, stamp)
        heapq.heappush(self._waiting, stamp)
        if len(self._waiting) > self._held:
            self._pass_on()

    def finish(self) -> Array | None:
        """Give their times; None unless every picture has one."""
        while self._waiting:
            self._pass_on()
        return None if self._unknown else self._times.finish()

    def _pass_on(self) -> None:
        stamp = heapq.heappop(self._waiting)
        if self._before is not None:
            self.widest = max(self.widest, stamp - self._before)
        self._before = stamp
        if self._base is not None:
            self._times.append(stamp * self._base.numerator / self._base.denominator)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Said:
    """What a container says; ``held`` counts the packets that are not to be shown too."""

    size_px: tuple[int, int]
    stamps: _Stamps
    held: int
    incomplete: int | None
    declared: int
    declared_s: float | None
    is_avi: bool


def _read(path: Path) -> _Said:
    held, incomplete = 0, None
    try:
        with open_container(path) as container:
            stream = video_stream(container, path)
            base = None if container.format.flags & _NO_TIMESTAMPS else stream.time_base
            stamps = _Stamps(base, reorder=stream.codec_context.codec.reorder)
            for packet in container.demux(stream):
                held += packet.size > 0
                if packet.size and not packet.is_discard:
                    if packet.is_corrupt and incomplete is None:
                        incomplete = stamps.count
                    stamps.add(packet.pts)
            return _Said(
                size_px=(stream.codec_context.width, stream.codec_context.height),
                stamps=stamps,
                held=held,
                incomplete=incomplete,
                declared=stream.frames,
                declared_s=_declared_duration_s(container, stream),
                is_avi=container.format.name == "avi",
            )
    except FileNotFoundError:
        raise DataError("no such file", path=path) from None
    except (av.FFmpegError, OSError) as error:
        problem = f"cannot be read as a video ({reason(error)}); is it cut short or damaged?"
        raise DataError(problem, path=path) from None


def _declared_duration_s(container: av.container.InputContainer, stream: av.VideoStream) -> float | None:
    """Duration that a Matroska header declares for the video, s; others declare a number of frames."""
    if "matroska" not in container.format.name:
        return None
    parts = stream.metadata.get("DURATION", "").split(":")
    try:
        return float(parts[0]) * 3600 + float(parts[1]) * 60 + float(parts[2])
    except (ValueError, IndexError):
        alone = len(container.streams) == 1 and container.duration is not None
        return container.duration / av.time_base if alone and container.duration else None


def _check_order(path: Path, times_s: Array) -> None:
    for begin in range(0, len(times_s), _STEPS):
        part = times_s[begin : begin + _STEPS + 1]
        back = np.diff(part) <= 0
        if back.any():
            k = int(back.argmax())
            raise backwards(path, begin + k + 1, float(part[k]), float(part[k + 1]))


def _check_end(path: Path, times_s: Array, declared_s: float | None) -> None:
    if declared_s is None or len(times_s) < 2:
        return
    steps = np.diff(times_s[-_STEPS:])
    slack_s = max(0.1, 3 * float(np.median(steps)), 1.5 * float(steps[-1]))
    if times_s[-1] + slack_s < declared_s:
        lengths = f"declares {declared_s:.3f} s and ends after {times_s[-1]:.3f} s"
        raise DataError(f"{lengths}; is it cut short?", path=path)
