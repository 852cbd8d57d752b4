"""A recording: the folder that holds the video, the logs and the calibrated module."""

from __future__ import annotations

import itertools
import os
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

import numpy as np

from flow.disk.table import time_span_s
from flow.errors import DataError
from flow.module import Module, read_module
from flow.series import (
    AttitudeSamples,
    GyroSamples,
    RangeSamples,
    read_attitude,
    read_gyro,
    read_range,
)
from flow.video import Video

S = TypeVar("S", GyroSamples, RangeSamples, AttitudeSamples)

# Of the logs around a part: as long as a height is bridged and the rotation kept before it, and what interpolation around
# the last frame needs, a slow range sensor included.
_BEFORE_S, _AFTER_S = 3.0, 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """What :func:`open_recording` found; the streams may be read as often as needed.

    A path is None where the folder has no such file. ``truth_path`` is there for comparisons: no measurement
    opens it. ``span_s`` is what the logs are cut to, gyro clock; None of a whole recording.

    Examples
    --------
    >>> import flow
    >>> recording = flow.open_recording("sample_video/flight")
    >>> recording.frame_count, next(recording.gyro()).rate_rad_s.shape[1]
    (714, 3)
    """

    folder: Path
    module: Module
    module_path: Path
    frames: Video
    times_path: Path | None
    gyro_path: Path
    range_path: Path | None
    attitude_path: Path | None
    truth_path: Path | None
    span_s: tuple[float, float] | None = None

    @property
    def frame_count(self) -> int:
        """Number of stored frames."""
        return self.frames.frame_count

    def video(self) -> Video:
        """Give the frames, camera clock."""
        return self.frames

    def gyro(self) -> Iterator[GyroSamples]:
        """Read the gyro log in chunks, gyro clock, bias not subtracted."""
        cut = self._within(read_gyro(self.gyro_path))
        if self.span_s is None:
            return cut
        first = next(cut, None)
        if first is None:
            covered = f"holds no reading from {self.span_s[0]:.3f} to {self.span_s[1]:.3f} s"
            raise DataError(f"{covered}; measure another part of the recording", path=self.gyro_path)
        return itertools.chain([first], cut)

    def range(self) -> Iterator[RangeSamples]:
        """Read the range log in chunks, range clock, as logged; nothing where there is none."""
        if self.range_path is None:
            return iter(())
        return self._within(read_range(self.range_path), offset_s=self.module.range.time_offset_s)

    def attitude(self) -> Iterator[AttitudeSamples] | None:
        """Read the attitude log in chunks, gyro clock; None where there is none."""
        return None if self.attitude_path is None else self._within(read_attitude(self.attitude_path))

    def between(self, start_s: float | None, end_s: float | None) -> Recording:
        """Give a part of the recording.

        Parameters
        ----------
        start_s, end_s
            Of the frames to be kept, s since the first frame; None from the first, or up to the last.

        Raises
        ------
        DataError
            Fewer than two frames lie between.
        """
        since_s = self.frames.times_s - self.frames.times_s[0]
        start_s, end_s = 0.0 if start_s is None else start_s, float(since_s[-1]) if end_s is None else end_s
        rows = slice(int(np.searchsorted(since_s, start_s, "left")), int(np.searchsorted(since_s, end_s, "right")))
        if rows.stop - rows.start < 2:
            problem = f"holds no two frames from {start_s:g} to {end_s:g} s; it lasts {since_s[-1]:.3f} s from its first frame"
            raise DataError(problem, path=self.frames.path)
        part = self.frames.part(rows)
        offset_s, half_readout_s = self.module.alignment.time_offset_s, 0.5 * self.module.camera.readout_s
        first_s, last_s = float(part.times_s[0]) + offset_s, float(part.times_s[-1]) + offset_s
        span_s = first_s - half_readout_s - _BEFORE_S, last_s + half_readout_s + _AFTER_S
        return replace(self, frames=part, span_s=span_s)

    def _within(self, chunks: Iterator[S], *, offset_s: float = 0.0) -> Iterator[S]:
        """Cut a log to ``span_s``; ``offset_s`` turns its times into the gyro's."""
        if self.span_s is None:
            yield from chunks
            return
        begin_s, end_s = self.span_s
        for chunk in chunks:
            first, stop = np.searchsorted(chunk.time_s + offset_s, [begin_s, end_s])
            if stop > first:
                yield chunk.part(slice(int(first), int(stop)))
            if len(chunk.time_s) and chunk.time_s[-1] + offset_s > end_s:
                return


def open_recording(
    folder: str | os.PathLike[str],
    module: str | os.PathLike[str] | None = None,
    *,
    needs_range: bool = True,
    check_overlap: bool = True,
) -> Recording:
    """Open a recording and check that its parts belong together.

    Parameters
    ----------
    folder
        Holds ``video.*``, ``gyro.csv``, ``range.csv`` and perhaps ``frames.csv``, ``attitude.csv``,
        ``module.yaml``, ``truth.csv``.
    module
        The module file; None takes the folder's own.
    needs_range
        Whether ``range.csv`` must be there (the alignment is found without).
    check_overlap
        Whether the logs must overlap the video by the module's time offsets (which may still be unknown).

    Raises
    ------
    DataError
        A part is missing or given twice, cannot be read, has another picture size than the module, or covers
        another time: the message says both.

    Examples
    --------
    >>> import flow
    >>> flow.open_recording("sample_video/flight").module.camera.width_px
    320
    >>> flow.open_recording("sample_video/board")
    Traceback (most recent call last):
    flow.errors.DataError: sample_video/board: holds no video; put it there as video.mp4, video.mkv or the like
    """
    place = Path(folder)
    if not place.is_dir():
        found = "is a file" if place.exists() else "no such folder"
        raise DataError(f"{found}; give the folder of a recording (video.*, gyro.csv, range.csv)", path=place)
    video_path = _only_video(place)
    gyro_path, range_path = _present(place / "gyro.csv"), _present(place / "range.csv")
    if gyro_path is None:
        raise DataError("missing; a recording needs video.*, gyro.csv and range.csv", path=place / "gyro.csv")
    if range_path is None and needs_range:
        problem = "missing; without a range there is no metric speed"
        raise DataError(problem, path=place / "range.csv")
    module_path = place / "module.yaml" if module is None else Path(module)
    if module is None and not module_path.exists():
        problem = "missing; give the calibrated module with --module, or put its file here"
        raise DataError(problem, path=module_path)
    times_path = _present(place / "frames.csv")
    recording = Recording(
        folder=place,
        module=read_module(module_path),
        module_path=module_path,
        frames=Video(video_path, times_path),
        times_path=times_path,
        gyro_path=gyro_path,
        range_path=range_path,
        attitude_path=_present(place / "attitude.csv"),
        truth_path=_present(place / "truth.csv"),
    )
    _check_pictures(recording)
    if check_overlap:
        _check_overlap(recording)
    return recording


def _only_video(folder: Path) -> Path:
    found = sorted(path for path in folder.glob("video.*") if path.is_file())
    if not found:
        raise DataError("holds no video; put it there as video.mp4, video.mkv or the like", path=folder)
    if len(found) > 1:
        names = ", ".join(path.name for path in found)
        raise DataError(f"holds more than one video: {names}; keep one", path=folder)
    return found[0]


def _present(path: Path) -> Path | None:
    return path if path.exists() or path.is_symlink() else None  # a link that leads nowhere is an error later


def _check_pictures(recording: Recording) -> None:
    video, camera = recording.frames, recording.module.camera
    if (video.width_px, video.height_px) != (camera.width_px, camera.height_px):
        pictures = f"frames are {video.width_px} x {video.height_px} px"
        calibrated = f"{recording.module_path} was calibrated at {camera.width_px} x {camera.height_px} px"
        problem = f"{pictures}, {calibrated}; record or calibrate at the same size"
        raise DataError(problem, path=video.path)
    if video.frame_count < 2:
        raise DataError("holds a single frame; a motion needs two", path=video.path)


def _check_overlap(recording: Recording) -> None:
    """Compare the spans of the video and of every log, all on the gyro clock."""
    times_s, module = recording.frames.times_s, recording.module
    first_s = float(times_s[0]) + module.alignment.time_offset_s
    last_s = float(times_s[-1]) + module.alignment.time_offset_s
    logs = (
        (recording.gyro_path, 0.0),
        (recording.range_path, module.range.time_offset_s),
        (recording.attitude_path, 0.0),
    )
    for path, offset_s in logs:
        if path is None:
            continue
        begin_s, end_s = (t + offset_s for t in time_span_s(path))
        if begin_s > last_s or end_s < first_s:
            covered = f"covers {begin_s:.3f} to {end_s:.3f} s, the video {first_s:.3f} to {last_s:.3f} s"
            remedy = "do they share a clock, and is alignment.time_offset_s right?"
            raise DataError(f"{covered} (gyro clock): they do not overlap; {remedy}", path=path)
