"""What a reader of foreign files hands over, and the recording folder that is written from it."""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.columns import ATTITUDE, FRAMES, GYRO, RANGE, TRUTH
from flow.disk.files import write_table
from flow.disk.folders import check_free, fresh_folder
from flow.errors import DataError
from flow.intake.plain_yaml import yaml_text
from flow.module import Module, write_module
from flow.scene.encode import Encoding, write_video
from flow.series import (
    ACCEL_COLUMNS,
    GYRO_COLUMNS,
    AttitudeSamples,
    GyroSamples,
    RangeSamples,
    Truth,
    read_attitude,
    read_gyro,
    read_range,
    read_truth,
)
from flow.video import Frame, Video

Array: TypeAlias = NDArray[np.float64]
Picture: TypeAlias = NDArray[np.uint8]

IMPORT_FILE = "import.yaml"
"""Where a recording says what it was made from."""

_LOGS = tuple(table.name for table in (FRAMES, GYRO, RANGE, ATTITUDE, TRUTH))
_FILES = (*_LOGS, "module.yaml", IMPORT_FILE, "measured")
_HEADING = """\
# What this recording was made from. The same import again, from the same files:
#   groundpace import --mapping import.yaml --output ANOTHER-FOLDER
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Origin:
    """Where a part of a recording comes from.

    ``path`` is the file (or bag, or folder of pictures), ``sha256`` its digest, ``inside`` what was taken from it in
    plain YAML values: topic or columns, units, axes, how many samples.
    """

    path: Path
    sha256: str
    inside: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class GatheredFrames:
    """The frames: a video to copy as it is, or pictures to encode without loss.

    Attributes
    ----------
    times_s
        (N,) mid-exposure of the middle row on the camera's clock, increasing.
    exposure_s
        (N,), NaN where not known; None where nobody recorded it.
    video
        A file that FFmpeg reads with N frames; None where there are ``pictures``.
    pictures
        N grey pictures (H, W) in the order of ``times_s``, made as they are asked for, so that a long recording
        never stands in memory; it may be iterated more than once.
    """

    times_s: Array
    exposure_s: Array | None = None
    video: Path | None = None
    pictures: Iterable[Picture] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Gathered:
    """Everything for a recording, in its units, body axes and clocks; parts that there are not are None.

    Attributes
    ----------
    frames, gyro, range, attitude, truth
        The parts. Samples are held in memory (8 bytes a number: an hour of 1 kHz gyro and accelerometer is 200 MB).
    sections
        What the source says about the module, as values of its sections (``camera``, ``range``); a module file has
        precedence, and without a ``camera`` they are left out.
    time_zero_ns
        What was taken off all times, so that time stamps counted from 1970 keep their digits: time in the recording
        plus this is time in the source, ns.
    origins
        By part (``frames``, ``gyro``, ``range``, ``attitude``, ``truth``; ``camera`` for the lens).
    mapping
        What the reader was told, as plain YAML values: with it, the same reader gives the same result.
    remarks
        What to know about it, a sentence each.
    """

    frames: GatheredFrames
    gyro: GyroSamples
    range: RangeSamples | None = None
    attitude: AttitudeSamples | None = None
    truth: Truth | None = None
    sections: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    time_zero_ns: int = 0
    origins: Mapping[str, Origin]
    mapping: Mapping[str, Any]
    remarks: tuple[str, ...] = ()


def write_recording(
    folder: str | os.PathLike[str],
    gathered: Gathered,
    *,
    module: str | None = None,
    clock: Mapping[str, Any] | None = None,
    encoding: Encoding | None = None,
    force: bool = False,
    progress: Callable[[], None] | None = None,
) -> None:
    """Write a recording folder, whole or not at all, and read it back before it takes its name.

    Parameters
    ----------
    folder
        Where to; new or empty unless ``force``, which replaces an older recording.
    gathered
        What goes in.
    module
        Text of the module file to put in; when left out, one of ``gathered.sections``, or none.
    clock
        How the clocks of frames and gyro were brought together, for ``import.yaml``: plain YAML values.
    encoding
        How pictures are stored, without loss when left out; a video is copied as it is.
    force
        Replace a recording that is there.
    progress
        Called once a picture that is encoded.

    Raises
    ------
    DataError
        The folder is taken or cannot be written, or what was gathered makes no valid recording: the message names
        the file in the folder that would have been wrong.
    """
    target = Path(folder).absolute()
    encoding, copied = encoding or Encoding(), gathered.frames.video
    video = encoding.file_name if copied is None else f"video{copied.suffix.lower()}"
    with fresh_folder(target, {*_FILES, video, *_videos(target)}, force=force) as beside:
        _write_frames(beside, video, gathered.frames, encoding, progress)
        _write_logs(beside, gathered)
        if module is not None:
            (beside / "module.yaml").write_text(module, encoding="utf-8", newline="\n")
        elif "camera" in gathered.sections:
            write_module(beside / "module.yaml", Module.model_validate(gathered.sections))
        tree = {**gathered.mapping, "made": _made(gathered, clock)}
        (beside / IMPORT_FILE).write_text(_HEADING + yaml_text(tree), encoding="utf-8")
        _read_back(beside, video, target)


def check_target(folder: str | os.PathLike[str], *, force: bool) -> None:
    """Refuse a folder that :func:`write_recording` would refuse, before minutes of work are spent on it.

    Raises
    ------
    DataError
        The folder is taken.
    """
    target = Path(folder).absolute()
    check_free(target, {*_FILES, *_videos(target)}, force=force)


def changed_sources(gathered: Gathered, made: Mapping[str, Any]) -> list[str]:
    """Name the files that are no longer what an earlier import read (``made`` of its ``import.yaml``)."""
    before = made.get("from")
    if not isinstance(before, Mapping):
        return []
    changed = {
        origin.path.name: None
        for part, origin in gathered.origins.items()
        if isinstance(told := before.get(part), Mapping) and told.get("sha256") != origin.sha256
    }
    return list(changed)


def sha256(path: Path) -> str:
    """SHA-256 of a file; of a folder, that of the lines ``hash  name`` of its visible files in order of name."""
    if path.is_dir():
        names = sorted(file.name for file in path.iterdir() if file.is_file() and file.name[0] != ".")
        lines = (f"{sha256(path / name)}  {name}\n" for name in names)
        return hashlib.sha256("".join(lines).encode()).hexdigest()
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def write_frame_times(path: Path, frames: GatheredFrames) -> None:
    """Write a ``frames.csv``."""
    columns: dict[str, NDArray[Any]] = {"frame": np.arange(len(frames.times_s)), "time_s": frames.times_s}
    if frames.exposure_s is not None:
        columns["exposure_s"] = frames.exposure_s
    write_table(path, FRAMES, columns)


def _videos(target: Path) -> list[str]:
    return sorted(path.name for path in target.glob("video.*")) if target.is_dir() else []


def _made(gathered: Gathered, clock: Mapping[str, Any] | None) -> dict[str, Any]:
    try:
        ours = version("groundpace")
    except PackageNotFoundError:
        ours = "from source"
    sources = {
        part: {"file": origin.path.name, "sha256": origin.sha256, **origin.inside}
        for part, origin in gathered.origins.items()
    }
    made: dict[str, Any] = {"when": datetime.now(UTC).isoformat(timespec="seconds"), "version": ours}
    if gathered.time_zero_ns:
        made["time_zero_ns"] = gathered.time_zero_ns
    if clock is not None:
        made["clock"] = dict(clock)
    return {**made, "from": sources, **({"remarks": list(gathered.remarks)} if gathered.remarks else {})}


def _write_frames(
    folder: Path, name: str, frames: GatheredFrames, encoding: Encoding, progress: Callable[[], None] | None
) -> None:
    if frames.video is not None:
        shutil.copyfile(frames.video, folder / name)
    else:
        rate_hz = 1 / float(np.median(np.diff(frames.times_s))) if len(frames.times_s) > 1 else 30.0
        write_video(folder / name, _stored(frames, progress), encoding, rate_hz)
    write_frame_times(folder / "frames.csv", frames)


def _stored(frames: GatheredFrames, progress: Callable[[], None] | None) -> Iterator[Frame]:
    """Pictures on a clock that starts at 0, as a container wants it; frames.csv has the true times."""
    assert frames.pictures is not None
    for k, picture in enumerate(frames.pictures):
        yield Frame(index=k, time_s=float(frames.times_s[k] - frames.times_s[0]), luma=picture, exposure_s=None)
        if progress is not None:
            progress()


def _write_logs(folder: Path, gathered: Gathered) -> None:
    gyro, heights, attitude, truth = gathered.gyro, gathered.range, gathered.attitude, gathered.truth
    columns = {"time_s": gyro.time_s, **dict(zip(GYRO_COLUMNS, gyro.rate_rad_s.T, strict=True))}
    if gyro.accel_m_s2 is not None:
        columns |= dict(zip(ACCEL_COLUMNS, gyro.accel_m_s2.T, strict=True))
    write_table(folder / GYRO.name, GYRO, columns)
    if heights is not None:
        columns = {"time_s": heights.time_s, "range_m": heights.range_m}
        if heights.air_temperature_c is not None:
            columns["air_temperature_c"] = heights.air_temperature_c
        write_table(folder / RANGE.name, RANGE, columns)
    if attitude is not None:
        columns = {"time_s": attitude.time_s, "roll_rad": attitude.roll_rad, "pitch_rad": attitude.pitch_rad}
        write_table(folder / ATTITUDE.name, ATTITUDE, columns)
    if truth is not None:
        write_table(folder / TRUTH.name, TRUTH, {key: getattr(truth, key) for key in TRUTH.names})


def _read_back(folder: Path, video: str, target: Path) -> None:
    """Read every file as a measurement would; a fault is told with the name that the file would have had."""
    try:
        Video(folder / video, folder / "frames.csv")
        readers = (("gyro", read_gyro), ("range", read_range), ("attitude", read_attitude))
        for name, read in readers:
            if (folder / f"{name}.csv").exists():
                for _ in read(folder / f"{name}.csv"):
                    pass
        if (folder / "truth.csv").exists():
            read_truth(folder / "truth.csv")
    except DataError as error:
        name = video if error.path is None else error.path.name
        raise DataError(error.problem, path=target / name, line=error.line, key=error.key) from None
