"""Still pictures to calibrate from: the files of a folder, or the stillest moments of a video."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from flow.errors import DataError
from flow.video import Video

Grey: TypeAlias = NDArray[np.uint8]

SUFFIXES = frozenset((".bmp", ".jpeg", ".jpg", ".pgm", ".png", ".ppm", ".tif", ".tiff", ".webp"))
_WINDOW_FRAMES = 8  # the shortest stretch of which one frame is taken: a quarter of a second at 30 Hz
_MOST_WINDOWS = 250
_SHARP_SHARE = 0.8
_SHRINK = 0.25  # stillness and sharpness are compared in smaller pictures


@dataclass(frozen=True, slots=True, kw_only=True)
class Still:
    """One grey picture (H, W), its name, the frames beside it in a video, and the share done by now."""

    name: str
    grey: Grey
    neighbours: tuple[Grey, ...] = ()
    share: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """A picture that is not used, and why."""

    name: str
    reason: str


def stills(source: Path) -> Iterator[Still | LeftOut]:
    """Pictures of a folder by name, or of a video the stillest sharp frame of each stretch.

    A folder without pictures that holds one ``video.*`` (a recording) counts as that video.

    Raises
    ------
    DataError
        There is no such file or folder, it holds nothing to use, or the video cannot be read.
    """
    if not source.exists():
        raise DataError("no such file or folder; give a folder of images or a video", path=source)
    if not source.is_dir():
        if source.suffix.lower() in SUFFIXES:
            raise DataError("one image is not enough; give the folder of images, or a video", path=source)
        return _from_video(source)
    pictures = sorted(path for path in source.iterdir() if path.suffix.lower() in SUFFIXES and path.name[0] != ".")
    videos = sorted(path for path in source.glob("video.*") if path.is_file())
    if not pictures and len(videos) == 1:
        return _from_video(videos[0])
    if not pictures:
        raise DataError(f"no image ({', '.join(sorted(SUFFIXES))}) in this folder", path=source)
    return _from_folder(pictures)


def _from_folder(pictures: list[Path]) -> Iterator[Still | LeftOut]:
    for i, path in enumerate(pictures):
        grey = _read(path)
        if grey is None:
            yield LeftOut(name=path.name, reason="cannot be read as an image")
        else:
            yield Still(name=path.name, grey=grey, share=(i + 1) / len(pictures))


def _read(path: Path) -> Grey | None:
    """Read a picture as the sensor gave it: its tags would turn it, and exchange columns and rows."""
    told = cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)  # a broken file is reported once, by us
    try:
        raw = np.fromfile(path, np.uint8)
        read = cv2.imdecode(raw, cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION) if len(raw) else None
    except (OSError, cv2.error):
        return None
    finally:
        cv2.utils.logging.setLogLevel(told)
    return None if read is None else np.asarray(read, np.uint8)


@dataclass(frozen=True, slots=True)
class _Candidate:
    index: int
    grey: Grey
    neighbours: tuple[Grey, ...]
    motion: float
    sharpness: float


def _from_video(path: Path) -> Iterator[Still]:
    video = Video(path)
    length = max(_WINDOW_FRAMES, -(-video.frame_count // _MOST_WINDOWS))
    digits = len(str(video.frame_count))
    window: list[_Candidate] = []
    for candidate in _candidates(video):
        window.append(candidate)
        if len(window) == length or candidate.index == video.frame_count - 1:
            best = _stillest_sharp(window)
            share = (candidate.index + 1) / video.frame_count
            yield Still(name=f"frame {best.index:0{digits}d}", grey=best.grey, neighbours=best.neighbours, share=share)
            window = []


def _candidates(video: Video) -> Iterator[_Candidate]:
    """Every frame with the frames beside it and how it compares with them."""
    near: deque[tuple[int, Grey, NDArray[np.float32]]] = deque(maxlen=3)
    for frame in video:
        small = cv2.resize(frame.luma, None, fx=_SHRINK, fy=_SHRINK, interpolation=cv2.INTER_AREA)
        near.append((frame.index, frame.luma, np.asarray(small, np.float32)))
        if len(near) == 2 and frame.index == 1:
            yield _candidate(near[0], [near[1]])
        elif len(near) == 3:
            yield _candidate(near[1], [near[0], near[2]])
    if near:
        yield _candidate(near[-1], list(near)[-2:-1])


def _candidate(
    it: tuple[int, Grey, NDArray[np.float32]], beside: list[tuple[int, Grey, NDArray[np.float32]]]
) -> _Candidate:
    # The larger of the two: a repeated frame does not move against its copy, but the next one shows.
    motion = max((float(np.mean(np.abs(it[2] - other[2]))) for other in beside), default=0.0)
    sharpness = float(cv2.Laplacian(it[2], cv2.CV_32F).var())
    return _Candidate(it[0], it[1], tuple(other[1] for other in beside), motion, sharpness)


def _stillest_sharp(window: list[_Candidate]) -> _Candidate:
    least = _SHARP_SHARE * max(candidate.sharpness for candidate in window)
    return min((c for c in window if c.sharpness >= least), key=lambda c: c.motion)
