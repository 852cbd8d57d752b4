"""Rendered once, stored in every way: recordings in a folder that a second run finds again; see :mod:`tests.benchmarks.honesty`."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray

import flow
from flow import scene
from flow.columns import ATTITUDE, GYRO, RANGE, TRUTH
from flow.disk.files import write_table
from flow.module import write_module
from flow.recording import Recording, open_recording
from flow.scene.encode import write_video
from flow.series import ACCEL_COLUMNS, GYRO_COLUMNS, Truth, read_truth
from flow.video import Frame
from tests.benchmarks.honest_flights import CARRIED, SHIPPED, Flight, Variant, drawn_module
from tests.outside.carried import FOLDER, carried

Array = NDArray[np.float64]
SAMPLE = Path("sample_video/flight")
_SAY = "flight.txt"
_PATH_S = 1e-3  # a path between its samples is straight: off by 1 um at 10 m/s^2


@dataclass(frozen=True, slots=True, kw_only=True)
class Path2D:
    """Where the body is: north, east (m) and yaw (rad, not wrapped) over time, gyro clock."""

    time_s: Array
    north_m: Array
    east_m: Array
    yaw_rad: Array

    def since(self, start_s: float, time_s: Array) -> Array:
        """Give the way (N, 2) since ``start_s``, forward and right of the heading there."""

        def at(values: Array, t: Array | float) -> Array:
            return np.asarray(np.interp(t, self.time_s, values))

        north = at(self.north_m, time_s) - at(self.north_m, start_s)
        east = at(self.east_m, time_s) - at(self.east_m, start_s)
        cos, sin = np.cos(at(self.yaw_rad, start_s)), np.sin(at(self.yaw_rad, start_s))
        return np.column_stack([cos * north + sin * east, cos * east - sin * north])


@dataclass(frozen=True, slots=True, kw_only=True)
class Ready:
    """A recording that can be measured, and what is true of it."""

    kind: str
    group: str
    name: str
    recording: Recording
    truth: Truth
    path: Path2D


def stored(flight: Flight, keep: Path) -> Iterator[Ready]:
    """Give the recordings of a flight; what ``keep`` holds of it is not made again."""
    home = keep / f"{flight.kind}-{flight.name}"
    frames: list[Frame] | None = None
    for variant in flight.variants:
        folder = home / variant.name
        spec = flight.spec(variant.gyro_hz)
        said = repr((replace(flight, variants=()), variant))
        if not _is(folder, said):
            if frames is None:
                frames = _frames(flight, home)
            with _whole(folder) as beside:
                _store(beside, spec, variant, frames)
                (beside / _SAY).write_text(said)
        yield Ready(
            kind=flight.kind,
            group=variant.group,
            name=f"{flight.name} {variant.name}",
            recording=open_recording(folder),
            truth=read_truth(folder / TRUTH.name),
            path=_flown(spec.motion),
        )


def sample_flight(keep: Path) -> Iterator[Ready]:
    """Give the recording that the project ships, measured with a module that is drawn around its own, the true one."""
    folder = keep / "shipped-sample"
    folder.mkdir(parents=True, exist_ok=True)
    write_module(folder / "module.yaml", drawn_module(flow.read_module(SAMPLE / "module.yaml"), seed=7))
    yield Ready(
        kind=SHIPPED,
        group=SHIPPED,
        name="sample_video/flight",
        recording=open_recording(SAMPLE, folder / "module.yaml"),
        truth=read_truth(SAMPLE / "truth.csv"),
        path=_flown(scene.flight("tour", 12.0, height_m=1.5, speed_m_s=0.8, seed=7)),  # as sample_video/README.md says
    )


def carried_by_hand(keep: Path, *, quick: bool) -> Iterator[Ready]:
    """Give the recording of a real camera at several rates of images, and through H.264."""
    for every, codec in (
        ((2, "lossless"),) if quick else ((1, "lossless"), (2, "lossless"), (4, "lossless"), (2, "h264"))
    ):
        folder = keep / f"carried-{every}-{codec}"
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=folder) as coded:
            recording = carried(every, Path(coded) if codec == "h264" else None)
        yield Ready(
            kind=CARRIED,
            group=CARRIED,
            name=f"{60 / every:.0f}/s {codec}",
            recording=cast("Recording", recording),
            truth=recording.truth,
            path=_carried_path(recording.truth),
        )


@contextmanager
def _whole(folder: Path) -> Iterator[Path]:
    """Make a folder beside and move it into place: another run may use the same ``--keep``."""
    folder.parent.mkdir(parents=True, exist_ok=True)
    beside = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
    try:
        yield beside
        shutil.rmtree(folder, ignore_errors=True)
        with suppress(OSError):  # another run was first, with the same
            beside.rename(folder)
    finally:
        shutil.rmtree(beside, ignore_errors=True)


def _is(folder: Path, said: str) -> bool:
    return (folder / _SAY).exists() and (folder / _SAY).read_text() == said


def _frames(flight: Flight, home: Path) -> list[Frame]:
    """Render the frames of a flight, or load them."""
    said, master = repr(replace(flight, variants=())), home / "frames"
    made = scene.render(flight.spec())
    if not _is(master, said):
        with _whole(master) as beside:
            np.save(beside / "luma.npy", np.stack([frame.luma for frame in made.frames()]))
            (beside / _SAY).write_text(said)
    return [
        Frame(index=k, time_s=float(time_s), luma=luma, exposure_s=made.spec.exposure_s)
        for k, (time_s, luma) in enumerate(zip(made.frame_times_s, np.load(master / "luma.npy"), strict=True))
    ]


def _store(folder: Path, spec: scene.SceneSpec, variant: Variant, frames: list[Frame]) -> None:
    """Write a recording as :func:`flow.scene.synthesize` does, but with the module drawn and sensors left out."""
    made = scene.render(spec)
    write_video(folder / variant.encoding.file_name, frames, variant.encoding, spec.frame_rate_hz)
    gyro, ranges, attitude = made.gyro, made.range, made.attitude
    columns = {"time_s": gyro.time_s, **dict(zip(GYRO_COLUMNS, gyro.rate_rad_s.T, strict=True))}
    if variant.accelerometer and gyro.accel_m_s2 is not None:
        columns |= dict(zip(ACCEL_COLUMNS, gyro.accel_m_s2.T, strict=True))
    write_table(folder / GYRO.name, GYRO, columns)
    assert ranges.air_temperature_c is not None
    write_table(
        folder / RANGE.name,
        RANGE,
        {"time_s": ranges.time_s, "range_m": ranges.range_m, "air_temperature_c": ranges.air_temperature_c},
    )
    if variant.attitude and attitude is not None:
        columns = {"time_s": attitude.time_s, "roll_rad": attitude.roll_rad, "pitch_rad": attitude.pitch_rad}
        write_table(folder / ATTITUDE.name, ATTITUDE, columns)
    write_table(folder / TRUTH.name, TRUTH, {key: getattr(made.truth, key) for key in TRUTH.names})
    write_module(folder / "module.yaml", drawn_module(spec.module, spec.seed))


def _flown(motion: scene.Motion) -> Path2D:
    time_s = np.arange(0.0, motion.duration_s, _PATH_S)
    place = motion.pose(time_s)[0]
    return Path2D(time_s=time_s, north_m=place[:, 0], east_m=place[:, 1], yaw_rad=motion.yaw(time_s))


def _carried_path(truth: Truth) -> Path2D:
    """Sum the path's velocity, turned by the yaw of the attitude log, which is the path's too."""
    attitude = pd.read_csv(FOLDER / "attitude.csv")
    yaw = np.interp(truth.time_s, attitude.time_s, np.unwrap(attitude.yaw_rad))
    cos, sin = np.cos(yaw), np.sin(yaw)
    forward, right = truth.forward_m_s, truth.right_m_s
    speed = np.stack([forward * cos - right * sin, forward * sin + right * cos])
    steps = 0.5 * (speed[:, 1:] + speed[:, :-1]) * np.diff(truth.time_s)
    north, east = np.concatenate([np.zeros((2, 1)), np.cumsum(steps, axis=1)], axis=1)
    return Path2D(time_s=truth.time_s, north_m=north, east_m=east, yaw_rad=yaw)
