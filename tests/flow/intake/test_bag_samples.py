"""Bags of every format, written by two independent libraries, hold the same samples for us.

Values are chosen so that they survive the messages' own precision (double for IMU and poses, float for ranges):
equality is expected. Stamps are whole nanoseconds.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from mcap.writer import Writer as PlainWriter

from flow.errors import DataError
from flow.intake.bag_reader import BagReader, is_bag
from flow.intake.bag_samples import BagSamples, read_samples
from flow.intake.bag_topics import chosen_topics
from tests.flow.intake.bag_files import FORMATS, ZERO_NS, Sink, bag, image, vector

PICTURE = np.arange(16 * 20, dtype=np.uint16).reshape(16, 20)
MS = 1_000_000


def small(sink: Sink, wide: bool = False) -> None:
    """Write pictures, IMU and ranges; every message arrives late, by different amounts."""
    for i in range(4):
        picture = image(3 * PICTURE, "mono16") if wide else image(PICTURE.astype(np.uint8))
        sink("/camera/image_raw", "sensor_msgs/msg/Image", ZERO_NS + 20 * i * MS, 5 * MS * (i % 2), **picture)
    for i in range(12):
        gyro, accel = vector([0.25, -0.5, i]), vector([0.5, -0.25, 9.8125])
        sink("/imu", "sensor_msgs/msg/Imu", ZERO_NS + 5 * i * MS, MS, angular_velocity=gyro, linear_acceleration=accel)
    for i, read in enumerate((1.5, np.inf, 0.125, np.nan, 9.0, -np.inf, 1.25)):
        limits = {"min_range": 0.25, "max_range": 8.0}
        sink("/sonar", "sensor_msgs/msg/Range", ZERO_NS + 10 * i * MS, MS, range=read, **limits)


def samples(path: Path) -> BagSamples:
    with BagReader(path) as reader:
        return read_samples(reader, chosen_topics(reader.topics, {}, path))


@pytest.mark.parametrize("name", FORMATS)
def test_every_format_gives_the_same(name: str, tmp_path: Path) -> None:
    with bag(tmp_path / name) as sink:
        small(sink)
    assert is_bag(tmp_path / name)
    held = samples(tmp_path / name)
    assert held.pictures.stamp_ns.tolist() == [ZERO_NS + 20 * i * MS for i in range(4)]  # not the arrival
    assert (held.pictures.width_px, held.pictures.height_px, held.pictures.bits) == (20, 16, 8)
    assert held.imu.stamp_ns.tolist() == [ZERO_NS + 5 * i * MS for i in range(12)]
    assert held.imu.values[3].tolist() == [0.25, -0.5, 3.0, 0.5, -0.25, 9.8125]
    assert held.range is not None
    # sensor_msgs/Range: outside min_range and max_range is to be discarded; REP 117: not finite is no reading.
    expected = [1.5, np.nan, np.nan, np.nan, np.nan, np.nan, 1.25]
    assert np.array_equal(held.range.values[:, 0], expected, equal_nan=True)
    assert held.reference is None
    assert held.camera_info is None


def test_sixteen_bits_are_counted_over_all_pictures(tmp_path: Path) -> None:
    with bag(tmp_path / "a.bag") as sink:
        small(sink, wide=True)
    assert samples(tmp_path / "a.bag").pictures.bits == 10  # 3 x 319 = 957 < 1024


def test_the_content_counts_not_the_name(tmp_path: Path) -> None:
    with bag(tmp_path / "a.bag") as sink:
        small(sink)
    (tmp_path / "a.bag").rename(tmp_path / "flight")
    assert is_bag(tmp_path / "flight")
    assert len(samples(tmp_path / "flight").imu.stamp_ns) == 12
    (tmp_path / "b.bag").write_text("time_s,range_m\n0,1\n")
    assert not is_bag(tmp_path / "b.bag")
    assert not is_bag(tmp_path)
    assert not is_bag(tmp_path / "gone")


@pytest.mark.parametrize("name", FORMATS)
@pytest.mark.parametrize("keep", [0.3, 0.7, 0.97])
def test_a_bag_cut_short_is_said_so(name: str, keep: float, tmp_path: Path) -> None:
    path = tmp_path / name
    with bag(path) as sink:
        small(sink)
        small_again(sink)
    file = next(held for held in path.iterdir() if held.suffix in (".db3", ".mcap")) if path.is_dir() else path
    whole = file.read_bytes()
    file.write_bytes(whole[: int(keep * len(whole))])
    with pytest.raises(DataError, match="cannot be read as a bag") as error:
        samples(path)
    assert str(path) in str(error.value)
    assert "cut short" in str(error.value)


def test_an_mcap_file_of_something_else_is_said_so(tmp_path: Path) -> None:
    with (tmp_path / "a.mcap").open("wb") as file:
        writer = PlainWriter(file)
        writer.start(profile="")
        writer.finish()
    with pytest.raises(DataError, match="only MCAP files with ROS 2 messages can be read"):
        samples(tmp_path / "a.mcap")


def small_again(sink: Sink) -> None:
    for i in range(300):
        sink("/more", "sensor_msgs/msg/Image", ZERO_NS + 80 * MS + i, **image(PICTURE.astype(np.uint8)))


def imus(path: Path, stamps_ms: list[float], **fields: Any) -> Path:
    with bag(path) as sink:
        sink("/camera/image_raw", "sensor_msgs/msg/Image", ZERO_NS, **image(PICTURE.astype(np.uint8)))
        for i, at_ms in enumerate(stamps_ms):
            at_ns = ZERO_NS + round(at_ms * MS) if at_ms >= 0 else 0
            held = {"angular_velocity": vector([at_ms, 0, 0]), **fields}
            sink("/imu", "sensor_msgs/msg/Imu", at_ns, ZERO_NS + (2000 + 10 * i) * MS - at_ns, **held)
    return path


def test_messages_out_of_order_or_twice(tmp_path: Path) -> None:
    held = samples(imus(tmp_path / "a.bag", [0, 10, 5, 15, 15])).imu
    assert ((held.stamp_ns - ZERO_NS) / MS).tolist() == [0, 5, 10, 15]
    assert held.values[:, 0].tolist() == [0, 5, 10, 15]


def test_what_is_not_measured_is_not_zero(tmp_path: Path) -> None:
    none = np.array([-1.0, *[0.0] * 8])
    held = samples(imus(tmp_path / "a.bag", [0, 10], linear_acceleration_covariance=none)).imu
    assert np.isnan(held.values[:, 3:]).all()
    assert not np.isnan(held.values[:, :3]).any()


def test_stamps_that_cannot_be_are_refused(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="/imu: message 1: header stamps are 0"):
        samples(imus(tmp_path / "a.bag", [0, -1]))
    with pytest.raises(DataError, match=r"/imu: message 2: the header stamp .* runs backwards; was the clock set back"):
        samples(imus(tmp_path / "b.bag", [0, 900, 300]))
    with bag(tmp_path / "c.bag") as sink:
        for i, at in enumerate((0, 20, 10)):
            picture = image(PICTURE.astype(np.uint8))
            sink("/camera/image_raw", "sensor_msgs/msg/Image", ZERO_NS + at * MS, (50 * i - at) * MS, **picture)
        sink("/imu", "sensor_msgs/msg/Imu", ZERO_NS)
    with pytest.raises(DataError, match="/camera/image_raw: message 2: the header stamp"):
        samples(tmp_path / "c.bag")


def test_an_encoding_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    with bag(tmp_path / "a.bag") as sink:
        sink("/depth", "sensor_msgs/msg/Image", ZERO_NS, **image(PICTURE, "32FC1"))
        sink("/imu", "sensor_msgs/msg/Imu", ZERO_NS)
    with pytest.raises(DataError, match="/depth: message 0: encoding '32FC1' is not supported"):
        samples(tmp_path / "a.bag")
