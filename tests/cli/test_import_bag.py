"""``groundpace import`` with a bag: one command, and one line for what is wrong."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from cli.main import main
from flow.series import read_truth
from flow.video import Video
from tests.flow.intake.bag_files import ZERO_NS, Sink, bag, image, quaternion, vector
from tests.flow.intake.test_bag_folder import SAMPLE, wrap
from tests.flow.intake.test_bags import MS, picture, pictures, ranges, turns


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def test_import_measure_export(tmp_path: Path) -> None:
    wrap(tmp_path / "flight.mcap", 0.6)
    folder = tmp_path / "flight"
    result = run("import", tmp_path / "flight.mcap", "--module", SAMPLE / "module.yaml", "--output", folder)
    assert result.exit_code == 0, result.output
    assert result.stderr == ""
    held = {path.name for path in folder.iterdir()}
    assert held == {"video.mp4", "frames.csv", "gyro.csv", "range.csv", "module.yaml", "import.yaml"}
    stored, original = Video(folder / "video.mp4", folder / "frames.csv"), Video(SAMPLE / "video.mp4")
    for ours, theirs in zip(stored, original, strict=False):
        assert ours.time_s == pytest.approx(theirs.time_s, rel=0, abs=1e-9)
        assert np.array_equal(ours.luma, theirs.luma)
    assert run("measure", folder).exit_code == 0
    result = run("export", folder / "measured", "--to", "mcap")
    assert result.exit_code == 0, result.output
    assert f"stamps are on the original clock, {ZERO_NS * 1e-9:.6f} s at time 0 of the log" in result.stdout
    again = run("import", "--mapping", folder / "import.yaml", "--output", tmp_path / "again")
    assert again.exit_code == 0, again.output
    assert (tmp_path / "again" / "gyro.csv").read_bytes() == (folder / "gyro.csv").read_bytes()


def test_pictures_are_encoded_as_asked(tmp_path: Path) -> None:
    wrap(tmp_path / "flight.mcap", 0.3)
    for codec, name, exact in (("ffv1", "video.mkv", True), ("h264", "video.mp4", False)):
        result = run("import", tmp_path / "flight.mcap", "--codec", codec, "--output", tmp_path / codec)
        assert result.exit_code == 0, result.output
        stored = list(Video(tmp_path / codec / name, tmp_path / codec / "frames.csv"))
        first = next(iter(Video(SAMPLE / "video.mp4"))).luma
        assert np.array_equal(stored[0].luma, first) == exact
        # H.264 at rate factor 23 leaves a few grey levels (mean) on gravel.
        assert np.abs(stored[0].luma.astype(int) - first).mean() < 6


def test_odometry_becomes_the_reference(tmp_path: Path) -> None:
    with bag(tmp_path / "a.bag") as sink:
        pictures(sink)
        turns(sink)
        for i in range(8):
            turned = np.array([0, 0, np.sin(np.pi / 4), np.cos(np.pi / 4)])  # facing the world's y
            pose = {"pose": {"position": vector([0, 0.02 * i, 2.5]), "orientation": quaternion(turned)}}
            twist = {"twist": {"linear": vector([1, 0.25, 0.125])}}
            sink("/odom", "nav_msgs/msg/Odometry", ZERO_NS + 20 * i * MS, pose=pose, twist=twist)
    result = run("import", tmp_path / "a.bag", "--ground-z", 0.5, "--output", tmp_path / "a")
    assert result.exit_code == 0, result.output
    truth = read_truth(tmp_path / "a" / "truth.csv")
    assert (truth.forward_m_s[0], truth.right_m_s[0], truth.down_m_s[0], truth.height_m[0]) == (1, -0.25, -0.125, 2)


def two_imus(sink: Sink) -> None:
    pictures(sink)
    turns(sink)
    turns(sink, "/imu/raw")


def no_image(sink: Sink) -> None:
    turns(sink)
    ranges(sink)


def no_overlap(sink: Sink) -> None:
    pictures(sink)
    turns(sink, start_ms=10_000)


def depth_only(sink: Sink) -> None:
    for i in range(3):
        sink("/depth", "sensor_msgs/msg/Image", ZERO_NS + i * MS, **image(picture(i), "32FC1"))
    turns(sink)


def changed_size(sink: Sink) -> None:
    pictures(sink)
    sink("/down/image_raw", "sensor_msgs/msg/Image", ZERO_NS + 200 * MS, **image(picture(0)[:8]))
    turns(sink)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (two_imus, "holds 2 topics for imu: /imu (Imu, 20), /imu/raw (Imu, 20); choose with --topic imu=NAME"),
        (no_image, "holds no message of an image topic"),
        (no_overlap, "they never overlap"),
        (depth_only, "/depth: message 0: encoding '32FC1' is not supported; mono8"),
        (changed_size, "the image size changes from 20 x 16 to 20 x 8 px at message 5"),
    ],
)
def test_one_line_and_nothing_written(content: Callable[[Sink], None], says: str, tmp_path: Path) -> None:
    with bag(tmp_path / "a.bag") as sink:
        content(sink)
    result = run("import", tmp_path / "a.bag", "--output", tmp_path / "a")
    assert result.exit_code == 1
    assert result.stderr.startswith(f"groundpace: {tmp_path / 'a.bag'}: ")
    assert says in result.stderr
    assert result.stderr.count("\n") == 1
    assert [path.name for path in tmp_path.iterdir()] == ["a.bag"]


def test_a_named_topic_is_taken(tmp_path: Path) -> None:
    with bag(tmp_path / "a.bag") as sink:
        two_imus(sink)
    arguments = ("import", tmp_path / "a.bag", "--output", tmp_path / "a", "--topic")
    assert run(*arguments, "imu=/imu/raw").exit_code == 0
    assert "topic: /imu/raw" in (tmp_path / "a" / "import.yaml").read_text()
    assert run(*arguments, "gyroscope=/imu").exit_code == 2
