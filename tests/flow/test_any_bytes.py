"""Every reader takes any bytes: a result or one clear line, in bounded memory and time.

The files are those of the sample recordings (their beginnings, where a file is long) and small ones made here, spoilt at
many places and in ways that hypothesis draws.
"""

from __future__ import annotations

import functools
import tempfile
from collections.abc import Callable
from itertools import islice
from pathlib import Path

import av
import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flow.benchmark.run_log import RunLog
from flow.disk.table import time_span_s
from flow.intake.bags import read_bag
from flow.intake.frames import Pictures
from flow.intake.mapping import read_mapping
from flow.intake.propose import propose
from flow.intake.sniff import read_columns, sniff
from flow.lens_files import camera_info_text, file_storage_text, read_lens_file
from flow.module import read_module, read_partial_module
from flow.recording import open_recording
from flow.row import LevelVelocity, NoVelocity, SpeedRow
from flow.series import read_attitude, read_gyro, read_range, read_truth
from flow.speedlog import SpeedLogWriter, read_speed_columns
from flow.video import Video
from tests.any_bytes import FEW, Read, anything, drained, many_places, spoilt, survives
from tests.flow.benchmark.runs import made_run
from tests.flow.intake.bag_files import bag
from tests.flow.intake.test_bags import SMALL, camera_info, pictures, ranges, turns
from tests.flow.test_lens_files import PINHOLE

SAMPLES = Path(__file__).parents[2] / "sample_video"
MAPPING = """\
frames: {video: clip.mp4, rate_hz: 30}
logs:
  - {file: log.txt, time: {columns: [uptime], unit: us}, range: {columns: [sonar], unit: cm}}
"""


def start(name: str, lines: int = 60) -> bytes:
    return b"".join((SAMPLES / name).read_bytes().splitlines(keepends=True)[:lines])


def attitude() -> bytes:
    return b"time_s,roll_rad,pitch_rad\n" + b"".join(b"%.2f,0.01,-0.02\n" % (k / 100) for k in range(40))


def given_times() -> bytes:
    return b"frame,time_s,exposure_s\n" + b"".join(b"%d,%.3f,0.002\n" % (k, k / 30) for k in range(8))


def foreign_log() -> bytes:
    rows = "".join(f"{1_000_000 + 5000 * k};{k % 7 / 10:.3f};0,2;-0,1;{95 + k % 3}\n" for k in range(40))
    return ("# a comment\nuptime;gx [deg/s];gy [deg/s];gz [deg/s];sonar_cm\n" + rows).encode()


def _level() -> LevelVelocity:
    return LevelVelocity(forward_m_s=0.5, right_m_s=0.0, down_m_s=0.0, covariance_m2_s2=1e-4 * np.eye(3))


@functools.cache
def speed_log() -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        with SpeedLogWriter(Path(folder) / "speed.csv") as log:
            for k in range(20):
                known = _level() if k % 3 else NoVelocity(reason="no_height")
                log.write(
                    SpeedRow(
                        time_s=k / 50,
                        interval_s=0.02,
                        velocity=known,
                        height_m=1.0,
                        height_sigma_m=0.01,
                        tracks=9,
                        inlier_share=0.9,
                    )
                )
        return (Path(folder) / "speed.csv").read_bytes()


@functools.cache
def clip(suffix: str, codec: str, pix_fmt: str) -> bytes:
    """Encode eight pictures of 64 x 48."""
    rng = np.random.default_rng(1)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"video{suffix}"
        with av.open(str(path), "w") as container:
            stream = container.add_stream(codec, rate=30)
            stream.width, stream.height, stream.pix_fmt = 64, 48, pix_fmt  # type: ignore[union-attr]
            for _ in range(8):
                grey = rng.integers(0, 255, (48, 64), np.uint8)
                container.mux(stream.encode(av.VideoFrame.from_ndarray(grey, format="gray").reformat(format=pix_fmt)))  # type: ignore[union-attr]
            container.mux(stream.encode())  # type: ignore[union-attr]
        return path.read_bytes()


@functools.cache
def small_bag(name: str) -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        with bag(Path(folder) / name) as sink:
            pictures(sink)
            turns(sink)
            ranges(sink)
            sink(
                "/camera_info",
                "sensor_msgs/msg/CameraInfo",
                1_700_000_000_000_000_000,
                **camera_info(SMALL, name == "ros1.bag"),
            )
        path = Path(folder) / name
        return (next(path.glob("*.[dm]*")) if path.is_dir() else path).read_bytes()


def frame_times(path: Path) -> None:
    whole = path.with_name("whole.avi")
    if not whole.exists():
        whole.write_bytes(clip(".avi", "mjpeg", "yuvj420p"))
    list(Video(whole, path))


def foreign_columns(path: Path) -> None:
    layout = sniff(path)
    read_columns(layout, layout.names)


def frames_of_bag(path: Path) -> None:
    for _ in read_bag(path).frames.pictures or ():
        pass


@functools.cache
def run_log() -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        with RunLog(Path(folder), resume=False) as log:
            for k in range(3):
                log.add([made_run(key=f"run {k}")])
        return log.path.read_bytes()


def runs(path: Path) -> None:
    """Resume a benchmark from a log that was cut short; what is no run counts for nothing."""
    with RunLog(path.parent, resume=True) as log:
        assert len(log) < 10


# By name: the file, what is in a sound one, and what reads it.
READERS: dict[str, tuple[str, Callable[[], bytes], Read]] = {
    "gyro": ("gyro.csv", lambda: start("flight/gyro.csv"), drained(read_gyro)),
    "range": ("range.csv", lambda: start("flight/range.csv"), drained(read_range)),
    "attitude": ("attitude.csv", attitude, drained(read_attitude)),
    "truth": ("truth.csv", lambda: start("flight/truth.csv"), read_truth),
    "time span": ("range.csv", lambda: start("flight/range.csv"), time_span_s),
    "frame times": (
        "frames.csv", given_times, frame_times,
    ),
    "speed log": ("speed.csv", speed_log, read_speed_columns),
    "module": ("module.yaml", lambda: start("flight/module.yaml"), read_module),
    "module in the making": ("module.yaml", lambda: start("flight/module.yaml"), read_partial_module),
    "lens, camera info": ("lens.yaml", lambda: camera_info_text(PINHOLE, "fern").encode(), read_lens_file),
    "lens, OpenCV": ("lens.yml", lambda: file_storage_text(PINHOLE).encode(), read_lens_file),
    "mapping": ("import.yaml", MAPPING.encode, read_mapping),
    "foreign log, proposed": ("flight.log", foreign_log, lambda path: propose(path, {})),
    "foreign log, read": ("flight.log", foreign_log, foreign_columns),
    "pictures": ("0001.png", lambda: cv2.imencode(".png", np.arange(1200, dtype=np.uint8).reshape(30, 40))[1].tobytes(),
                 lambda path: list(Pictures([path]))),
    "mp4": ("video.mp4", lambda: clip(".mp4", "mpeg4", "yuv420p"), drained(Video)),
    "h264": ("video.mp4", lambda: clip(".mp4", "libx264", "yuv420p"), drained(Video)),
    "mkv": ("video.mkv", lambda: clip(".mkv", "ffv1", "gray"), drained(Video)),
    "avi": ("video.avi", lambda: clip(".avi", "mjpeg", "yuvj420p"), drained(Video)),
    "benchmark runs": ("benchmark-runs.partial.csv", run_log, runs),
    "ROS 1 bag": ("flight.bag", lambda: small_bag("ros1.bag"), frames_of_bag),
    "SQLite bag": ("flight.db3", lambda: small_bag("sqlite"), frames_of_bag),
    "MCAP bag": ("flight.mcap", lambda: small_bag("other.mcap"), frames_of_bag),
}  # fmt: skip


@pytest.mark.parametrize("name", READERS)
def test_a_sound_file_is_read(name: str, tmp_path: Path) -> None:
    file, sound, read = READERS[name]
    assert survives(read, tmp_path / file, sound())  # or the tests below would be empty


@pytest.mark.parametrize("name", READERS)
def test_a_spoilt_file_is_read_or_refused(name: str, tmp_path: Path) -> None:
    file, sound, read = READERS[name]

    @FEW
    @given(st.one_of(spoilt(sound()), spoilt(sound()), anything()))
    def check(content: bytes) -> None:
        survives(read, tmp_path / file, content)

    check()


@pytest.mark.parametrize("name", READERS)
def test_a_file_cut_or_turned_at_many_places(name: str, tmp_path: Path) -> None:
    file, sound, read = READERS[name]
    for content in many_places(sound(), 25):
        survives(read, tmp_path / file, content)


def test_a_title_in_another_encoding_is_no_obstacle(tmp_path: Path) -> None:
    # Cameras write titles and makers' names in the encoding of their country.
    path = tmp_path / "video.mp4"
    path.write_bytes(clip(".mp4", "mpeg4", "yuv420p").replace(b"ftypisom", b"ftyp\xe9som"))
    assert len(list(Video(path))) == 8


_LAUGHS = "".join(f"a{k}: &a{k} [{', '.join([f'*a{k - 1}'] * 10)}]\n" for k in range(1, 10))
LONG = [
    *(part * 1000 for part in (b"\0", b",", b"[", b"{a: ", b'"', b"- ", b"x\n", b"<a>")),
    # Ten lines of YAML that mean a billion values, and one that holds itself.
    f"a0: &a0 [x, x, x, x, x, x, x, x, x, x]\n{_LAUGHS}camera: *a9\nframes: *a9\ncamera_matrix: *a9\n".encode(),
    b"camera: &a {camera: *a}\nframes: &b [*b]\ncamera_matrix: &c {data: [*c]}\n",
]


@pytest.mark.parametrize("name", READERS)
def test_a_long_run_of_one_thing(name: str, tmp_path: Path) -> None:
    file, _, read = READERS[name]
    for content in LONG:
        survives(read, tmp_path / file, content)


@pytest.mark.parametrize("name", ["module.yaml", "gyro.csv", "range.csv", "video.mp4"])
def test_a_sample_recording_cut_or_turned_at_many_places(name: str, tmp_path: Path) -> None:
    """The real size: what opening reads, and the beginning of each stream."""
    folder = tmp_path / "rec"
    folder.mkdir()
    for file in ("module.yaml", "gyro.csv", "range.csv", "video.mp4"):
        (folder / file).write_bytes((SAMPLES / "flight" / file).read_bytes())

    def opened(path: Path) -> None:
        recording = open_recording(path.parent)
        for stream in (recording.gyro(), recording.range(), islice(recording.video(), 3)):
            for _ in stream:
                pass

    taken = [survives(opened, folder / name, content) for content in many_places((folder / name).read_bytes(), 8)]
    assert not all(taken)
