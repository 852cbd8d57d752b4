"""Opening a folder: what is missing, doubled, of another size or of another time is said."""

from __future__ import annotations

from pathlib import Path

import av
import numpy as np
import pytest

from flow.errors import DataError
from flow.recording import open_recording

MODULE = """\
camera: {width_px: 32, height_px: 24, fx_px: 30, fy_px: 30, cx_px: 15.5, cy_px: 11.5}
alignment: {time_offset_s: 100}
range: {time_offset_s: 50}
"""


def encode(path: Path, *, width: int = 32, frames: int = 10) -> None:
    with av.open(str(path), "w") as container:
        stream = container.add_stream("ffv1", rate=10)
        stream.width, stream.height, stream.pix_fmt = width, 24, "gray"
        for i in range(frames):
            picture = av.VideoFrame.from_ndarray(np.full((24, width), 20 * i, np.uint8), format="gray")
            container.mux(stream.encode(picture))
        container.mux(stream.encode())


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    encode(tmp_path / "video.mkv")
    rows = "".join(f"{100 + i / 100},0,0,{i}e-3\n" for i in range(100))
    (tmp_path / "gyro.csv").write_text("time_s,gyro_x_rad_s,gyro_y_rad_s,gyro_z_rad_s\n" + rows)
    (tmp_path / "range.csv").write_text("time_s,range_m\n50.1,1.5\n50.2,1.6\n")
    (tmp_path / "module.yaml").write_text(MODULE)
    return tmp_path


def test_a_whole_recording_opens_and_streams_twice(folder: Path) -> None:
    recording = open_recording(folder)
    assert recording.folder == folder
    assert recording.frame_count == 10
    assert recording.module.alignment.time_offset_s == 100
    assert recording.attitude() is None
    assert recording.truth_path is None
    for _ in range(2):
        assert [frame.luma[0, 0] for frame in recording.video()] == list(range(0, 200, 20))
        assert sum(len(samples.time_s) for samples in recording.gyro()) == 100
        assert [r for samples in recording.range() for r in samples.range_m] == [1.5, 1.6]


def test_optional_files_are_found(folder: Path) -> None:
    (folder / "attitude.csv").write_text("time_s,roll_rad,pitch_rad\n100,0.1,0.2\n")
    (folder / "frames.csv").write_text("frame,time_s\n" + "".join(f"{i},{i / 9}\n" for i in range(10)))
    (folder / "truth.csv").write_text("nobody reads this")
    recording = open_recording(folder)
    attitude = recording.attitude()
    assert attitude is not None
    assert next(attitude).roll_rad[0] == 0.1
    assert recording.video().times_s[-1] == 1.0
    assert recording.truth_path == folder / "truth.csv"


def test_the_module_given_wins(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    other = tmp_path_factory.mktemp("modules") / "fern-03.yaml"
    other.write_text("name: fern-03\n" + MODULE)
    assert open_recording(folder, other).module.name == "fern-03"
    (folder / "module.yaml").unlink()
    with pytest.raises(DataError, match=r"module.yaml: missing; give the calibrated module with --module"):
        open_recording(folder)
    with pytest.raises(DataError, match=r"none.yaml: no such file"):
        open_recording(folder, folder / "none.yaml")


def test_parts_missing_or_doubled(folder: Path) -> None:
    (folder / "range.csv").unlink()
    with pytest.raises(DataError, match=r"range.csv: missing"):
        open_recording(folder)
    without = open_recording(folder, needs_range=False)
    assert without.range_path is None
    assert list(without.range()) == []
    encode(folder / "video.mp4.mkv")
    with pytest.raises(DataError, match=r"more than one video: video.mkv, video.mp4.mkv"):
        open_recording(folder, needs_range=False)
    for video in folder.glob("video.*"):
        video.unlink()
    with pytest.raises(DataError, match=r"holds no video"):
        open_recording(folder, needs_range=False)
    encode(folder / "video.mkv")
    (folder / "gyro.csv").unlink()
    with pytest.raises(DataError, match=r"gyro.csv: missing; a recording needs"):
        open_recording(folder, needs_range=False)


def test_folder_itself(folder: Path) -> None:
    with pytest.raises(DataError, match="no such folder"):
        open_recording(folder / "flight-07")
    with pytest.raises(DataError, match="is a file; give the folder"):
        open_recording(folder / "gyro.csv")


def test_pictures_of_another_size(folder: Path) -> None:
    encode(folder / "video.mkv", width=48)
    with pytest.raises(
        DataError, match=r"video.mkv: frames are 48 x 24 px, .*module.yaml was calibrated at 32 x 24 px"
    ):
        open_recording(folder)


def test_a_single_frame(folder: Path) -> None:
    encode(folder / "video.mkv", frames=1)
    with pytest.raises(DataError, match="a single frame; a motion needs two"):
        open_recording(folder)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        # Frames: 0 to 0.9 s. Gyro: 100 to 100.99 s. Range: 50.1 to 50.2 s on its own clock.
        (
            "time_offset_s: 100",
            "time_offset_s: 0",
            "gyro.csv: covers 100.000 to 100.990 s, the video 0.000 to 0.900 s",
        ),
        (
            "time_offset_s: 50",
            "time_offset_s: 0",
            "range.csv: covers 50.100 to 50.200 s, the video 100.000",
        ),
        ("time_offset_s: 50", "time_offset_s: -50", "range.csv: covers 0.100 to 0.200 s"),
    ],
)
def test_logs_of_another_time(folder: Path, old: str, new: str, message: str) -> None:
    (folder / "module.yaml").write_text(MODULE.replace(old, new))
    with pytest.raises(DataError, match=message):
        open_recording(folder)
    assert open_recording(folder, check_overlap=False).frame_count == 10


def test_a_part_holds_the_same_frames_and_the_logs_around_them(folder: Path) -> None:
    """Ten frames, a tenth of a second apart: from 0.25 to 0.61 s those at 0.3, 0.4, 0.5 and 0.6 s."""
    part = open_recording(folder).between(0.25, 0.61)
    assert part.frame_count == len(part.video()) == 4
    np.testing.assert_allclose(part.video().times_s, [0.3, 0.4, 0.5, 0.6], atol=1e-9)
    for _ in range(2):
        frames = list(part.video())
        assert [frame.luma[0, 0] for frame in frames] == [60, 80, 100, 120]
        assert [frame.index for frame in frames] == [0, 1, 2, 3]
        assert [frame.time_s for frame in frames] == list(part.video().times_s)
    inner = part.between(0.1, None)  # counted from the part's own first frame
    assert [frame.luma[0, 0] for frame in inner.video()] == [80, 100, 120]


def test_a_part_cuts_the_logs(folder: Path) -> None:
    """Three seconds before the part and half a second after it, each log on its own clock."""
    rows = "".join(f"{90 + i / 100:.2f},0,0,{i}e-3\n" for i in range(2000))
    (folder / "gyro.csv").write_text("time_s,gyro_x_rad_s,gyro_y_rad_s,gyro_z_rad_s\n" + rows)
    (folder / "range.csv").write_text(
        "time_s,range_m\n" + "".join(f"{t / 10:.1f},1.{t % 10}\n" for t in range(400, 600))
    )
    part = open_recording(folder).between(0.2, 0.4)  # gyro clock 100.2 to 100.4 s, range clock 50.2 to 50.4 s
    gyro_s = np.concatenate([samples.time_s for samples in part.gyro()])
    np.testing.assert_allclose([gyro_s[0], gyro_s[-1]], [97.2, 100.89], atol=0.011)  # within a sample
    range_s = np.concatenate([samples.time_s for samples in part.range()])
    np.testing.assert_allclose([range_s[0], range_s[-1]], [47.2, 50.9], atol=0.11)


@pytest.mark.parametrize(("start_s", "end_s"), [(0.95, None), (0.5, 0.4), (None, 0.05), (20.0, 30.0)])
def test_a_part_without_two_frames_is_refused(start_s: float | None, end_s: float | None, folder: Path) -> None:
    with pytest.raises(DataError, match=r"video\.mkv: holds no two frames from .* it lasts 0\.900 s"):
        open_recording(folder).between(start_s, end_s)


def test_a_part_that_the_gyro_does_not_cover_is_refused(folder: Path) -> None:
    rows = "".join(f"{104 + i / 100},0,0,0\n" for i in range(100))
    (folder / "gyro.csv").write_text("time_s,gyro_x_rad_s,gyro_y_rad_s,gyro_z_rad_s\n" + rows)
    part = open_recording(folder, check_overlap=False).between(0.0, 0.5)
    with pytest.raises(DataError, match=r"gyro\.csv: holds no reading from 97\.000 to 101\.000 s"):
        part.gyro()
