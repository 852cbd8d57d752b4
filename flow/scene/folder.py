"""A synthetic recording as a folder, in the recording format."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from flow.columns import ATTITUDE, FRAMES, GYRO, RANGE, TRUTH
from flow.disk.files import write_table
from flow.disk.folders import fresh_folder
from flow.module import write_module
from flow.scene.encode import CODECS, Encoding, write_video
from flow.scene.recording import SyntheticRecording, render
from flow.scene.spec import SceneSpec
from flow.series import ACCEL_COLUMNS, GYRO_COLUMNS
from flow.video import Frame

_VIDEOS = {Encoding(codec=codec).file_name for codec in CODECS}
_OWN_FILES = _VIDEOS | {
    *("measured", "module.yaml"),
    *(table.name for table in (FRAMES, GYRO, RANGE, ATTITUDE, TRUTH)),
}


def synthesize(
    folder: str | os.PathLike[str],
    spec: SceneSpec,
    encoding: Encoding | None = None,
    *,
    force: bool = False,
    progress: Callable[[], None] | None = None,
) -> SyntheticRecording:
    """Render a recording into a folder, whole or not at all.

    Parameters
    ----------
    folder
        Where to; it must be new or empty unless ``force``.
    spec
        The scene.
    encoding
        Codec; lossless H.264 when left out.
    force
        Take the place of an older recording there. A folder that holds anything else is never touched.
    progress
        Called once a frame.

    Returns
    -------
    The recording.

    Raises
    ------
    DataError
        The folder is taken or cannot be written, or the ground cannot be read.
    """
    target = Path(folder).absolute()
    with fresh_folder(target, _OWN_FILES, force=force) as beside:
        recording = render(spec)
        _write(beside, recording, encoding or Encoding(), progress)
    return recording


def _write(
    folder: Path,
    recording: SyntheticRecording,
    encoding: Encoding,
    progress: Callable[[], None] | None,
) -> None:
    spec, gyro, heights = recording.spec, recording.gyro, recording.range
    exposures: list[tuple[int, float, float]] = []

    def counted() -> Iterator[Frame]:
        for frame in recording.frames():
            exposures.append((frame.index, frame.time_s, spec.exposure_s))
            yield frame
            if progress is not None:
                progress()

    write_video(folder / encoding.file_name, counted(), encoding, spec.frame_rate_hz)
    if encoding.needs_frames_csv:
        number, time_s, exposure_s = (np.array(column) for column in zip(*exposures, strict=True))
        write_table(folder / FRAMES.name, FRAMES, {"frame": number, "time_s": time_s, "exposure_s": exposure_s})
    columns = {"time_s": gyro.time_s, **dict(zip(GYRO_COLUMNS, gyro.rate_rad_s.T, strict=True))}
    if gyro.accel_m_s2 is not None:
        columns |= dict(zip(ACCEL_COLUMNS, gyro.accel_m_s2.T, strict=True))
    write_table(folder / GYRO.name, GYRO, columns)
    columns = {"time_s": heights.time_s, "range_m": heights.range_m}
    if heights.air_temperature_c is not None:
        columns |= {"air_temperature_c": heights.air_temperature_c}
    write_table(folder / RANGE.name, RANGE, columns)
    if (attitude := recording.attitude) is not None:
        columns = {"time_s": attitude.time_s, "roll_rad": attitude.roll_rad, "pitch_rad": attitude.pitch_rad}
        write_table(folder / ATTITUDE.name, ATTITUDE, columns)
    truth = recording.truth
    write_table(folder / TRUTH.name, TRUTH, {key: getattr(truth, key) for key in TRUTH.names})
    write_module(folder / "module.yaml", recording.module)
