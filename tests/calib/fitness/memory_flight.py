"""Flights in memory with exact truth, as far as ``calib.fitness`` asks for a recording, and ways to spoil them."""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

from flow import scene
from flow.module import Module
from flow.scene.encode import Encoding, write_video
from flow.series import AttitudeSamples, GyroSamples, RangeSamples
from flow.video import Frame, Video

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Frames:
    """A video in memory."""

    frames: Sequence[Frame]
    path: Path = field(default=Path("video.mp4"))

    @functools.cached_property
    def times_s(self) -> Array:
        """Camera times of the frames."""
        return np.array([frame.time_s for frame in self.frames])

    @property
    def frame_count(self) -> int:
        """Count the frames."""
        return len(self.frames)

    @property
    def height_px(self) -> int:
        """Rows."""
        return self.frames[0].luma.shape[0]

    @property
    def width_px(self) -> int:
        """Columns."""
        return self.frames[0].luma.shape[1]

    def __iter__(self) -> Iterator[Frame]:
        return iter(self.frames)


@dataclass(frozen=True, kw_only=True)
class MemoryFlight:
    """A recording in memory."""

    module: Module
    frames: Frames
    gyro_log: GyroSamples
    range_log: RangeSamples
    attitude_log: AttitudeSamples | None = None
    folder: Path = field(default=Path("flight"))
    module_path: Path = field(default=Path("flight/module.yaml"))
    gyro_path: Path = field(default=Path("flight/gyro.csv"))
    range_path: Path | None = field(default=Path("flight/range.csv"))
    times_path: Path | None = None

    @property
    def frame_count(self) -> int:
        """Count the frames."""
        return self.frames.frame_count

    def video(self) -> Frames:
        """Give the frames."""
        return self.frames

    def gyro(self) -> Iterator[GyroSamples]:
        """Read the gyro log in several chunks, as from a file."""
        count = len(self.gyro_log.time_s)
        return (self.gyro_log.part(slice(k, k + 1000)) for k in range(0, count, 1000))

    def range(self) -> Iterator[RangeSamples]:
        """Read the range log."""
        heard = np.isfinite(self.range_log.range_m)
        air = self.range_log.air_temperature_c
        return iter(
            [
                RangeSamples(
                    time_s=self.range_log.time_s[heard],
                    range_m=self.range_log.range_m[heard],
                    air_temperature_c=None if air is None else air[heard],
                )
            ]
        )

    def attitude(self) -> Iterator[AttitudeSamples] | None:
        """Read the attitude log, where there is one."""
        return None if self.attitude_log is None else iter([self.attitude_log])


def fly(
    motion: scene.Motion, *, ground: str = "gravel", codec_folder: Path | None = None, quality: int = 20, **keys: Any
) -> MemoryFlight:
    """Render a flight; through H.264 where a folder for the file is given.

    All flights over one kind of ground share one: a new one for each seed takes longer to make than the flight.
    """
    made_once = scene.make_ground(ground)
    spec = scene.SceneSpec(**{"motion": motion, "ground": made_once, "frame_rate_hz": 30.0, "exposure_s": 0.001} | keys)
    made = scene.render(spec)
    frames: Sequence[Frame] = list(made.frames())
    if codec_folder is not None:
        frames = through_h264(frames, codec_folder, quality)
    return MemoryFlight(
        module=spec.module, frames=Frames(frames=frames), gyro_log=made.gyro, range_log=made.range,
        attitude_log=made.attitude,
    )  # fmt: skip


def through_h264(frames: Sequence[Frame], folder: Path, quality: int) -> list[Frame]:
    """Give the pictures as H.264 leaves them."""
    path = folder / "video.mp4"
    write_video(path, frames, Encoding(codec="h264", quality=quality), 30.0)
    with av.open(str(path)) as container:
        lumas = [picture.to_ndarray()[: picture.height].copy() for picture in container.decode(video=0)]
    return [replace(frame, luma=luma) for frame, luma in zip(frames, lumas, strict=True)]


def with_module(flight: MemoryFlight, section: str, **keys: Any) -> MemoryFlight:
    """Change what the module file says; the recording stays."""
    part = getattr(flight.module, section).model_copy(update=keys)
    return replace(flight, module=flight.module.model_copy(update={section: part}))


def with_gyro(flight: MemoryFlight, change: Callable[[Array], Array]) -> MemoryFlight:
    """Change the logged rates (N, 3)."""
    log = flight.gyro_log
    return replace(flight, gyro_log=replace(log, rate_rad_s=change(log.rate_rad_s.copy())))


def with_frames(flight: MemoryFlight, change: Callable[[Sequence[Frame]], Sequence[Frame]]) -> MemoryFlight:
    """Change the frames; they are numbered anew."""
    frames = [replace(frame, index=k) for k, frame in enumerate(change(flight.frames.frames))]
    return replace(flight, frames=Frames(frames=frames))


def with_range(flight: MemoryFlight, change: Callable[[Array, Array], Array]) -> MemoryFlight:
    """Change the logged ranges, given times and ranges (N,)."""
    log = flight.range_log
    return replace(flight, range_log=replace(log, range_m=change(log.time_s, log.range_m.copy())))


def black_video(path: Path) -> None:
    """Put black frames in the place of a video's own, times and size kept."""
    frames = list(Video(path))
    rng = np.random.default_rng(1)
    black = [
        replace(frame, luma=np.clip(np.rint(16 + rng.normal(0, 0.8, frame.luma.shape)), 0, 255).astype(np.uint8))
        for frame in frames
    ]
    write_video(path, black, Encoding(), 60.0)
