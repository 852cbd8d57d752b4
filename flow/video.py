"""Frames and their times: the stored luma and the container's own time stamps."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TypeAlias

import av
import numpy as np
from numpy.typing import NDArray

from flow.container import open_container
from flow.errors import DataError
from flow.luma import stored_luma
from flow.table import read_table, time_steps

Array: TypeAlias = NDArray[np.float64]

_LONGEST_EXPOSURE_S = 2.0
_LONGEST_STEP_S = 1.0  # median
_NO_TIMESTAMPS = 0x0080  # AVFMT_NOTIMESTAMPS: a bare stream, whose times the demuxer would make up


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """One stored picture.

    ``index`` counts from 0 in presentation order; ``time_s`` is the camera's clock, mid-exposure of the
    middle row; ``luma`` is (H, W) uint8, C-contiguous, read-only; ``exposure_s`` is None where not recorded.
    """

    index: int
    time_s: float
    luma: NDArray[np.uint8]
    exposure_s: float | None


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
        (frame_count,) camera clock, read-only.

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
        listing = _listed(self.path)
        stored_s = _checked_times(listing, self.path, stamped=given is not None)
        self.width_px, self.height_px = listing.size_px
        self.frame_count = len(listing.stamps)
        if given is not None and times is not None and len(given[0]) != self.frame_count:
            held = f"{len(given[0])} rows for the {self.frame_count} frames of {self.path.name}"
            raise DataError(f"{held}; one row a stored frame is needed", path=times)
        self.times_s: Array = stored_s if given is None else given[0]
        self._exposure_s = None if given is None else given[1]
        self._stamped = given is not None
        self.times_s.flags.writeable = False

    def __iter__(self) -> Iterator[Frame]:
        index, before_s = 0, -np.inf
        for picture in self._decoded():
            if picture.is_corrupt:
                raise self._error(f"frame {index} is damaged; cut the video before it, or record again")
            if (picture.width, picture.height) != (self.width_px, self.height_px):
                sizes = f"{self.width_px} x {self.height_px} to {picture.width} x {picture.height} px"
                raise self._error(f"the picture size changes from {sizes} at frame {index}; split the video there")
            if index == self.frame_count:
                raise self._error(f"holds more pictures than the {self.frame_count} it lists; remux the file")
            time_s = float(self.times_s[index]) if self._stamped else _stamp_s(picture, index, self.path)
            if time_s <= before_s:
                raise _backwards(self.path, index, before_s, time_s)
            exposure = None if self._exposure_s is None else float(self._exposure_s[index])
            yield Frame(
                index=index,
                time_s=time_s,
                luma=stored_luma(picture, self.path),
                exposure_s=None if exposure is None or np.isnan(exposure) else exposure,
            )
            index, before_s = index + 1, time_s
        if index < self.frame_count:
            held = f"{self.frame_count} frames, of which only {index} can be decoded"
            raise self._error(f"holds {held}; is it cut short?")

    def __len__(self) -> int:
        return self.frame_count

    def _decoded(self) -> Iterator[av.VideoFrame]:
        try:
            with open_container(self.path) as container:
                stream = _video_stream(container, self.path)
                # Frames decoded in parallel hand damage on to each other by chance: the same file must always
                # give the same result. At 640 x 480 one thread takes 0.3 ms a frame all the same.
                stream.thread_type = "SLICE"
                yield from container.decode(stream)
        except (av.FFmpegError, OSError) as error:
            raise self._error(f"cannot be decoded ({_reason(error)}); is it cut short or damaged?") from None

    def _error(self, problem: str) -> DataError:
        return DataError(problem, path=self.path)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Listing:
    """What a container says about its video, and which packets it holds.

    ``stamps`` are those of the packets to show, in stored order; ``held`` counts the others too.
    """

    size_px: tuple[int, int]
    base: Fraction | None
    stamps: list[int | None]
    held: int
    incomplete: int | None
    declared: int
    declared_s: float | None
    is_avi: bool
    may_reorder: bool


def _listed(path: Path) -> _Listing:
    """Read the container through; no picture is decoded."""
    stamps: list[int | None] = []
    held, incomplete = 0, None
    try:
        with open_container(path) as container:
            stream = _video_stream(container, path)
            for packet in container.demux(stream):
                held += packet.size > 0
                if packet.size and not packet.is_discard:
                    if packet.is_corrupt and incomplete is None:
                        incomplete = len(stamps)
                    stamps.append(packet.pts)
            return _Listing(
                size_px=(stream.codec_context.width, stream.codec_context.height),
                base=None if container.format.flags & _NO_TIMESTAMPS else stream.time_base,
                stamps=stamps,
                held=held,
                incomplete=incomplete,
                declared=stream.frames,
                declared_s=_declared_duration_s(container, stream),
                is_avi=container.format.name == "avi",
                may_reorder=stream.codec_context.codec.reorder,
            )
    except FileNotFoundError:
        raise DataError("no such file", path=path) from None
    except (av.FFmpegError, OSError) as error:
        problem = f"cannot be read as a video ({_reason(error)}); is it cut short or damaged?"
        raise DataError(problem, path=path) from None


def _checked_times(listing: _Listing, path: Path, *, stamped: bool) -> Array:
    """Check that the container keeps its word; give its times in order of presentation, if it has any."""
    known = [pts for pts in listing.stamps if pts is not None]
    if not listing.stamps or not all(listing.size_px):
        raise DataError("holds no frame", path=path)
    if listing.declared > listing.held:
        # An AVI counts slots of a fixed rate and may leave some empty: then it is whole, its times rough.
        missing = listing.declared - max(known, default=0)
        whole = listing.is_avi and missing <= max(np.diff(sorted(known)), default=1)
        if not (whole and stamped):
            remedy = "some slots are empty; give true times in frames.csv" if whole else "is it cut short?"
            counts = f"declares {listing.declared} frames and holds {listing.held}"
            raise DataError(f"{counts}; {remedy}", path=path)
    if listing.incomplete is not None:
        problem = f"the data of frame {listing.incomplete} is incomplete; is the file cut short?"
        raise DataError(problem, path=path)
    times_s = np.empty(0)
    if listing.base is not None and len(known) == len(listing.stamps):
        ordered = sorted(known) if listing.may_reorder else known
        times_s = np.array([pts * listing.base.numerator / listing.base.denominator for pts in ordered])
        _check_end(path, times_s, listing.declared_s)
    if not stamped:
        _check_order(path, times_s)
    return times_s


def _video_stream(container: av.container.InputContainer, path: Path) -> av.VideoStream:
    stream = container.streams.best("video")
    if not isinstance(stream, av.VideoStream) or stream.codec_context is None:
        raise DataError("holds no video that can be decoded", path=path)
    return stream


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
    if not len(times_s):
        raise DataError("carries no time stamps; put them into frames.csv beside it (frame,time_s)", path=path)
    back = np.diff(times_s) <= 0
    if back.any():
        i = int(back.argmax())
        raise _backwards(path, i + 1, float(times_s[i]), float(times_s[i + 1]))


def _check_end(path: Path, times_s: Array, declared_s: float | None) -> None:
    if declared_s is None or len(times_s) < 2:
        return
    steps = np.diff(times_s)
    slack_s = max(0.1, 3 * float(np.median(steps)), 1.5 * float(steps[-1]))
    if times_s[-1] + slack_s < declared_s:
        lengths = f"declares {declared_s:.3f} s and ends after {times_s[-1]:.3f} s"
        raise DataError(f"{lengths}; is it cut short?", path=path)


def _backwards(path: Path, index: int, before_s: float, time_s: float) -> DataError:
    how = "repeats" if time_s == before_s else "runs backwards"
    times = f"{time_s:.6f} s after {before_s:.6f} s"
    return DataError(f"time {how} at frame {index}: {times}; give true times in frames.csv", path=path)


def _stamp_s(picture: av.VideoFrame, index: int, path: Path) -> float:
    base = picture.time_base
    if picture.pts is None or base is None:
        raise DataError(f"frame {index} has no time stamp; put the times into frames.csv", path=path)
    return float(picture.pts * base.numerator / base.denominator)


def _frame_times(path: Path) -> tuple[Array, Array]:
    """Read times and exposures (NaN where not given) of a ``frames.csv``."""
    times, exposures = [np.empty(0)], [np.empty(0)]
    before_s: float | None = None
    following: float | None = None
    for table in read_table(path, ["frame", "time_s"], ["exposure_s"]):
        before_s = time_steps(table, before_s, longest_step_s=_LONGEST_STEP_S)
        number = table.columns["frame"]
        exposure = table.columns.get("exposure_s", np.full(len(number), np.nan))
        if len(number):
            expected = (number[0] if following is None else following) + np.arange(len(number))
            table.refuse(number != expected, "frame", _misnumbered)
            following = float(number[-1]) + 1
        if "exposure_s" in table.columns:
            table.refuse((exposure < 0) | (exposure > _LONGEST_EXPOSURE_S), "exposure_s", _misexposed)
        times.append(table.columns["time_s"])
        exposures.append(exposure)
    return np.concatenate(times), np.concatenate(exposures)


def _misnumbered(number: float) -> str:
    return f"{number:g} does not follow; number the stored frames 0, 1, 2, ..."


def _misexposed(exposure: float) -> str:
    return f"{exposure:g} s is no exposure time; is it in milliseconds or microseconds?"


def _reason(error: BaseException) -> str:
    return (getattr(error, "strerror", None) or str(error)).lower()
