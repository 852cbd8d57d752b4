"""Frames and their times: the stored luma and the container's own time stamps."""

from __future__ import annotations

import copy
import itertools
import os
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeAlias

import av
import numpy as np
from numpy.typing import NDArray

from flow.columns import FRAMES
from flow.disk.container import open_container
from flow.disk.listing import backwards, list_pictures, reason, video_stream
from flow.disk.on_disk import LongColumn
from flow.disk.table import read_table, time_steps
from flow.errors import DataError
from flow.luma import stored_luma
from flow.wording import counted

Array: TypeAlias = NDArray[np.float64]

_LONGEST_EXPOSURE_S = 2.0
_LONGEST_STEP_S = 1.0  # median


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """One stored picture.

    ``index`` counts from 0 in presentation order; ``time_s`` is the camera's clock, mid-exposure of the
    middle row; ``luma`` is (H, W) uint8, C-contiguous, read-only; ``exposure_s`` is None where not recorded.
    ``keyframe`` says whether the codec stored it without reference to another frame; None where no codec says so.
    """

    index: int
    time_s: float
    luma: NDArray[np.uint8]
    exposure_s: float | None
    keyframe: bool | None = None


class Video:
    """A video file as a re-iterable stream of :class:`Frame`, in presentation order and constant memory.

    Opening reads the container through without decoding, so that a file cut short or with impossible times is
    refused before any work begins.

    Parameters
    ----------
    path
        Any file that FFmpeg reads.
    times
        A ``frames.csv`` whose times count instead of the container's, or None.

    Attributes
    ----------
    width_px, height_px, frame_count
        Of the stored pictures.
    times_s
        (frame_count,) camera clock, read-only; of a long video in a file that the system may page out.
    container_times_s
        (frame_count,) the container's own, the same unless a ``frames.csv`` counts; None where it has none.

    Raises
    ------
    DataError
        Unreadable, no video, no frame, cut short, no time stamps, times that repeat or run backwards, a
        ``frames.csv`` of another length. Iterating raises it where a picture cannot be decoded or changes
        size. (Damage that the decoder patches over passes: it is for the tracking to distrust.)

    Notes
    -----
    Luma is the stored plane: limited range is not stretched (a gain of 1.16 matters to no tracker, and the
    conversion costs twice the decoding). Of more than 8 bits the top 8 are kept. Colours other than Y'CbCr
    become grey.
    """

    def __init__(self, path: str | os.PathLike[str], times: str | os.PathLike[str] | None = None) -> None:
        self.path = Path(path)
        given = None if times is None else _frame_times(Path(times))
        listing = list_pictures(self.path, timed=given is not None)
        self.width_px, self.height_px = listing.size_px
        self.frame_count = listing.count
        self.container_times_s = listing.times_s
        if given is not None and times is not None and len(given[0]) != self.frame_count:
            held = f"{counted(len(given[0]), 'row')} for the {counted(self.frame_count, 'frame')} of {self.path.name}"
            raise DataError(f"{held}; one row a stored frame is needed", path=times)
        stored_s = np.empty(0) if listing.times_s is None else listing.times_s
        self.times_s: Array = stored_s if given is None else given[0]
        self._exposure_s = None if given is None else given[1]
        self._stamped = given is not None
        self._whole = self
        self._part = slice(0, self.frame_count)

    def part(self, frames: slice) -> Video:
        """Give consecutive frames of this video, numbered anew from 0; those before are decoded and left out."""
        whole, first = self._whole, self._part.start
        chosen = slice(first + frames.start, min(first + frames.stop, self._part.stop))
        part = copy.copy(whole)
        part._part = chosen
        part.times_s = whole.times_s[chosen]
        part.container_times_s = None if whole.container_times_s is None else whole.container_times_s[chosen]
        part.frame_count = len(part.times_s)
        return part

    def __iter__(self) -> Iterator[Frame]:
        if self is self._whole:
            yield from self._frames()
            return
        for frame in itertools.islice(self._whole, self._part.start, self._part.stop):
            yield replace(frame, index=frame.index - self._part.start)

    def _frames(self) -> Iterator[Frame]:
        index, before_s = 0, -np.inf
        for picture in self._decoded():
            if picture.is_corrupt:
                raise self._error(f"frame {index} is damaged; cut the video before it, or record again")
            if (picture.width, picture.height) != (self.width_px, self.height_px):
                sizes = f"{self.width_px} x {self.height_px} to {picture.width} x {picture.height} px"
                raise self._error(f"the frame size changes from {sizes} at frame {index}; split the video there")
            if index == self.frame_count:
                raise self._error(f"holds more frames than the {self.frame_count} it lists; remux the file")
            time_s = float(self.times_s[index]) if self._stamped else _stamp_s(picture, index, self.path)
            if time_s <= before_s:
                raise backwards(self.path, index, before_s, time_s)
            exposure = None if self._exposure_s is None else float(self._exposure_s[index])
            yield Frame(
                index=index,
                time_s=time_s,
                luma=stored_luma(picture, self.path),
                exposure_s=None if exposure is None or np.isnan(exposure) else exposure,
                keyframe=bool(picture.key_frame),
            )
            index, before_s = index + 1, time_s
        if index < self.frame_count:
            held = f"{counted(self.frame_count, 'frame')}, of which only {index} can be decoded"
            raise self._error(f"holds {held}; is it cut short?")

    def __len__(self) -> int:
        return self.frame_count

    def _decoded(self) -> Iterator[av.VideoFrame]:
        try:
            with open_container(self.path) as container:
                stream = video_stream(container, self.path)
                # Frames decoded in parallel hand damage on to each other by chance: the same file must always
                # give the same result. At 640 x 480 one thread takes 0.3 ms a frame all the same.
                stream.thread_type = "SLICE"
                yield from container.decode(stream)
        except (av.FFmpegError, OSError) as error:
            raise self._error(f"cannot be decoded ({reason(error)}); is it cut short or damaged?") from None

    def _error(self, problem: str) -> DataError:
        return DataError(problem, path=self.path)


def _stamp_s(picture: av.VideoFrame, index: int, path: Path) -> float:
    base = picture.time_base
    if picture.pts is None or base is None:
        raise DataError(f"frame {index} has no time stamp; put the times into frames.csv", path=path)
    return float(picture.pts * base.numerator / base.denominator)


def _frame_times(path: Path) -> tuple[Array, Array]:
    """Read times and exposures (NaN where not given) of a ``frames.csv``."""
    times, exposures = LongColumn(), LongColumn()
    before_s: float | None = None
    following: float | None = None
    for table in read_table(path, FRAMES.needed, FRAMES.optional):
        before_s = time_steps(table, before_s, longest_step_s=_LONGEST_STEP_S)
        number = table.columns["frame"]
        exposure = table.columns.get("exposure_s", np.full(len(number), np.nan))
        if len(number):
            expected = (number[0] if following is None else following) + np.arange(len(number))
            table.refuse(number != expected, "frame", _misnumbered)
            following = float(number[-1]) + 1
        if "exposure_s" in table.columns:
            table.refuse((exposure < 0) | (exposure > _LONGEST_EXPOSURE_S), "exposure_s", _misexposed)
        times.extend(table.columns["time_s"])
        exposures.extend(exposure)
    return times.finish(), exposures.finish()


def _misnumbered(number: float) -> str:
    return f"{number:g} does not follow; number the stored frames 0, 1, 2, ..."


def _misexposed(exposure: float) -> str:
    return f"{exposure:g} s is no exposure time; is it in milliseconds or microseconds?"
