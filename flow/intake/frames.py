"""Foreign frames: a video by itself, at a nominal rate, or with a table of times; a folder of pictures."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeAlias

import av
import cv2
import numpy as np
from numpy.typing import NDArray

from flow.disk.container import open_container
from flow.disk.regular import refuse_devices
from flow.errors import DataError
from flow.intake.gathered import GatheredFrames, Origin, Picture, sha256
from flow.intake.log_times import check_units, increasing, pace, time_zero_ns, to_ns, unwrapped
from flow.intake.mapping import NAMES, FramesSource
from flow.intake.sniff import is_number, read_columns, sniff
from flow.intake.units import unit
from flow.video import Video
from flow.wording import counted

Array: TypeAlias = NDArray[np.float64]

PICTURE_SUFFIXES = frozenset((".bmp", ".jpeg", ".jpg", ".pgm", ".png", ".ppm", ".tif", ".tiff", ".webp"))


@dataclass(frozen=True, slots=True, kw_only=True)
class FramesFound:
    """Frames on the camera's clock, where they come from, and what to know about them.

    ``time_zero_ns`` was taken off their times.
    """

    frames: GatheredFrames
    time_zero_ns: int
    size_px: tuple[int, int]
    origin: Origin
    remarks: tuple[str, ...]


class Pictures:
    """The pictures of a folder in the order given, read one at a time whenever they are iterated."""

    def __init__(self, paths: list[Path]) -> None:
        self.paths = paths
        first = _read(paths[0])
        self.size_px = first.shape[1], first.shape[0]

    def __len__(self) -> int:
        return len(self.paths)

    def __iter__(self) -> Iterator[Picture]:
        for path in self.paths:
            picture = _read(path)
            if (found := (picture.shape[1], picture.shape[0])) != self.size_px:
                sizes = f"{found[0]} x {found[1]} px, the first {self.size_px[0]} x {self.size_px[1]} px"
                raise DataError(f"is {sizes}; all frames of a recording must have one size", path=path)
            yield picture


def read_frames(source: FramesSource) -> FramesFound:
    """Find the frames and their times; no picture but the first is decoded.

    Raises
    ------
    DataError
        The video or a picture cannot be read, there are no times, or not one for each frame.
    """
    if source.video is not None:
        return _video(source, source.video)
    assert source.pictures is not None
    return _pictures(source, source.pictures)


def _video(source: FramesSource, path: Path) -> FramesFound:
    remarks: list[str] = []
    times_s, exposure_s, zero_ns = _given_times(source, remarks)
    if source.rate_hz is not None:
        times_s = np.arange(_frame_count(path)) / source.rate_hz
        remarks.append(
            f"{path.name}: frame times by its nominal rate of {source.rate_hz:g} Hz, whatever it says itself"
        )
    if times_s is None:
        try:
            video = Video(path)
        except DataError as error:
            raise DataError(error.problem.replace("frames.csv", "--times FILE, or --rate HZ"), path=path) from None
        size_px, times_s = (video.width_px, video.height_px), video.times_s
    else:
        count, size_px = _frame_count(path), _size(path)
        if count != len(times_s):
            held = f"{counted(len(times_s), 'time')} for the {counted(count, 'frame')} of {path.name}"
            raise DataError(f"{held}; one for each stored frame is needed", path=source.times or path)
    if len(times_s) < 2:
        raise DataError("holds a single frame; a motion needs two", path=path)
    remarks.append(f"frames: {len(times_s)} of {size_px[0]} x {size_px[1]} px, {pace(times_s)}")
    frames = GatheredFrames(times_s=times_s, exposure_s=exposure_s, video=path)
    origin = Origin(path=path, sha256=sha256(path), inside={"frames": len(times_s)})
    return FramesFound(frames=frames, time_zero_ns=zero_ns, size_px=size_px, origin=origin, remarks=tuple(remarks))


def _pictures(source: FramesSource, folder: Path) -> FramesFound:
    remarks: list[str] = []
    paths = picture_files(folder)
    if len(paths) < 2:
        raise DataError(
            f"holds {counted(len(paths), 'image')} ({', '.join(sorted(PICTURE_SUFFIXES))}); two are needed", path=folder
        )
    exposure_s: Array | None = None
    zero_ns = 0
    if source.rate_hz is not None:
        times_s = np.arange(len(paths)) / source.rate_hz
    elif source.times is not None and str(source.times) == NAMES:
        times_s, zero_ns = _times_by_name(source, folder, paths)
    else:
        given, exposure_s, zero_ns = _given_times(source, remarks)
        if given is None:
            raise DataError("images carry no times; give --times FILE, --times names, or --rate HZ", path=folder)
        times_s = given
    if len(times_s) != len(paths):
        problem = (
            f"{counted(len(times_s), 'time')} for the {counted(len(paths), 'image')} of {folder.name}; each needs one"
        )
        raise DataError(problem, path=source.times)
    pictures = Pictures(paths)
    remarks.append(f"frames: {len(paths)} of {pictures.size_px[0]} x {pictures.size_px[1]} px, {pace(times_s)}")
    return FramesFound(
        frames=GatheredFrames(times_s=times_s, exposure_s=exposure_s, pictures=pictures),
        time_zero_ns=zero_ns,
        size_px=pictures.size_px,
        origin=Origin(path=folder, sha256=sha256(folder), inside={"frames": len(paths)}),
        remarks=tuple(remarks),
    )


def picture_files(folder: Path) -> list[Path]:
    """Pictures of a folder in the order of the numbers in their names."""
    found = (p for p in folder.iterdir() if p.suffix.lower() in PICTURE_SUFFIXES and p.name[0] != ".")
    return sorted(found, key=lambda path: [(len(part), part) for part in _numbers_apart(path.stem)])


def _numbers_apart(stem: str) -> list[str]:
    parts, digit = [""], False
    for letter in stem:
        if letter.isdigit() != digit:
            digit = not digit
            parts.append("")
        parts[-1] += letter
    return [part.lstrip("0") if part.isdigit() else part for part in parts]


def _given_times(source: FramesSource, remarks: list[str]) -> tuple[Array | None, Array | None, int]:
    """Read times and exposures of a table, None where there is none, and what was taken off the times."""
    if source.times is None:
        return None, None, 0
    path, plain = source.times, _plain_list(source.times)
    if source.time is None:
        raise DataError("say the column and unit of its times: --map frame_time=COLUMN:UNIT", path=path)
    exposure: Array | None = None
    lines: NDArray[Any]
    if plain is not None:
        cells, lines = plain, np.arange(len(plain)) + 1
    else:
        layout = sniff(path)
        names = [*source.time.columns, *(source.exposure.columns if source.exposure is not None else ())]
        columns, lines = read_columns(layout, names)
        cells = columns[source.time.columns[0]]
        if source.exposure is not None:
            given = np.asarray(columns[source.exposure.columns[0]], float)
            exposure = unit("time", source.exposure.unit).convert(given)
    key = source.time.columns[0]
    time_ns, counter = unwrapped(to_ns(cells, source.time.unit, path, lines, key))
    if counter is not None:
        remarks.append(f"{path.name}: {key} is a {counter} that wrapped around; carried on")
    check_units(time_ns, path, lines, key)
    increasing(time_ns, np.arange(len(time_ns))[:, None].astype(float), path, lines, key)
    zero_ns = time_zero_ns([int(time_ns[0])])
    return np.asarray((time_ns - zero_ns) * 1e-9, float), exposure, zero_ns


def _plain_list(path: Path) -> Any | None:
    """Read a file with one number a line and nothing else; None where it is no such file."""
    refuse_devices(path)
    try:
        lines = [line.strip() for line in path.read_text(encoding="utf-8-sig").splitlines() if line.strip()]
    except OSError as error:
        raise DataError(f"cannot be read ({(error.strerror or str(error)).lower()})", path=path) from None
    except UnicodeDecodeError:
        raise DataError("is not a text file; a list of frame times is expected", path=path) from None
    if not lines or not all(is_number(line) and "," not in line for line in lines):
        return None
    whole = all(line.lstrip("-").isdigit() for line in lines)
    return np.array([int(line) for line in lines]) if whole else np.array([float(line) for line in lines])


def _times_by_name(source: FramesSource, folder: Path, paths: list[Path]) -> tuple[Array, int]:
    """Read file names, which are in the order of their numbers, as times; give what was taken off them too."""
    if source.time is None:
        raise DataError("say the unit of the times in the file names: --map frame_time=names:ns", path=folder)
    odd = next((path for path in paths if not path.stem.isdigit()), None)
    if odd is not None:
        raise DataError("its name is no whole number; give the times with --times FILE", path=odd)
    places = np.arange(len(paths)) + 1
    time_ns = to_ns(np.array([int(path.stem) for path in paths]), source.time.unit, folder, places, "file names")
    increasing(time_ns, places[:, None].astype(float), folder, places, "file names")
    zero_ns = time_zero_ns([int(time_ns[0])])
    return np.asarray((time_ns - zero_ns) * 1e-9, float), zero_ns


def _read(path: Path) -> Picture:
    """Read a picture as the sensor gave it: its tags would turn it, and exchange columns and rows."""
    try:
        raw = np.fromfile(path, np.uint8)
        read = cv2.imdecode(raw, cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION) if len(raw) else None
    except (OSError, cv2.error):
        read = None
    if read is None:
        raise DataError("cannot be read as an image", path=path)
    return np.ascontiguousarray(read, np.uint8)


def _frame_count(path: Path) -> int:
    """Count the frames to show, without decoding."""
    with _opened(path) as container:
        return sum(packet.size > 0 and not packet.is_discard for packet in container.demux(video=0))


def _size(path: Path) -> tuple[int, int]:
    with _opened(path) as container:
        return container.streams.video[0].width, container.streams.video[0].height


def _opened(path: Path) -> av.container.InputContainer:
    try:
        container = open_container(path)
    except (av.FFmpegError, OSError) as error:
        reason = (getattr(error, "strerror", None) or str(error)).lower()
        raise DataError(f"cannot be read as a video ({reason})", path=path) from None
    if not container.streams.video:
        raise DataError("holds no video", path=path)
    return container
