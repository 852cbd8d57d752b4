"""A recording: the folder that holds the video, the logs and the calibrated module."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """What :func:`open_recording` found; the streams may be read as often as needed.

    A path is None where the folder has no such file. ``truth_path`` is there for comparisons: no measurement
    opens it.

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

    @property
    def frame_count(self) -> int:
        """Number of stored frames."""
        return self.frames.frame_count

    def video(self) -> Video:
        """Give the frames, camera clock."""
        return self.frames

    def gyro(self) -> Iterator[GyroSamples]:
        """Read the gyro log in chunks, gyro clock, bias not subtracted."""
        return read_gyro(self.gyro_path)

    def range(self) -> Iterator[RangeSamples]:
        """Read the range log in chunks, range clock, as logged; nothing where there is none."""
        return iter(()) if self.range_path is None else read_range(self.range_path)

    def attitude(self) -> Iterator[AttitudeSamples] | None:
        """Read the attitude log in chunks, gyro clock; None where there is none."""
        return None if self.attitude_path is None else read_attitude(self.attitude_path)


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
