"""Twist messages, read back by programs that had no part in writing them.

MCAP files are read by ``mcap`` with ``mcap-ros2-support``, which share no code with the library that writes. For a
ROS 1 bag the reader is that library's own; its layout is held against the published format (magic bytes, record
fields). Expected values are those in the log's text; equality, because both hold doubles.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from mcap.reader import make_reader
from mcap_ros2.decoder import DecoderFactory
from rosbags.highlevel import AnyReader

from flow.errors import DataError
from flow.outlet.bags import write_bag, write_mcap
from flow.speedlog import SpeedLog, read_speed_columns
from tests.flow.outlet.logs import ROWS, speed_folder

ZERO_NS = 1_700_000_000_123_456_789


@pytest.fixture
def log(tmp_path: Path) -> SpeedLog:
    return read_speed_columns(speed_folder(tmp_path / "log") / "speed.csv")


def by_mcap(path: Path) -> list[tuple[int, str, Any]]:
    with path.open("rb") as file:
        reader = make_reader(file, decoder_factories=[DecoderFactory()])
        return [
            (message.log_time, channel.topic, decoded)
            for schema, channel, message, decoded in reader.iter_decoded_messages()
            if schema.name == "geometry_msgs/msg/TwistWithCovarianceStamped"
        ]


def by_rosbags(path: Path) -> list[tuple[int, str, Any]]:
    with AnyReader([path]) as reader:
        return [(at, c.topic, reader.deserialize(data, c.msgtype)) for c, at, data in reader.messages()]


def linear(message: Any) -> tuple[float, float, float]:
    v = message.twist.twist.linear
    return v.x, v.y, v.z


@pytest.mark.parametrize(("write", "read", "name"), [(write_mcap, by_mcap, "a.mcap"), (write_bag, by_rosbags, "a.bag")])
def test_rows_with_a_velocity_become_messages(write: Any, read: Any, name: str, log: SpeedLog, tmp_path: Path) -> None:
    assert write(tmp_path / name, log, zero_ns=ZERO_NS) == 2
    (first_at, topic, first), (_, _, second) = read(tmp_path / name)
    assert topic == "/ground_speed"
    # REP 103: x forward, y left, z up; the log has forward, right, down.
    assert linear(first) == (1.25, 0.5, -0.125)
    assert linear(second) == (-0.75, 0.0, 0.25)
    assert first.header.frame_id == "level_forward_left_up"
    stamp = first.header.stamp.sec * 10**9 + getattr(first.header.stamp, "nanosec", 0)
    assert stamp == first_at == ZERO_NS + 25_000_000
    covariance = np.reshape(first.twist.covariance, (6, 6))
    assert np.array_equal(covariance, np.diag([0.003**2, 0.004**2, 0.007**2, 1e6, 1e6, 1e6]))
    assert (first.twist.twist.angular.x, first.twist.twist.angular.z) == (0.0, 0.0)


def test_frame_and_topic_are_as_asked(log: SpeedLog, tmp_path: Path) -> None:
    write_mcap(tmp_path / "a.mcap", log, topic="/fern/speed", frame_id="fern_level")
    (_, topic, message), _ = by_mcap(tmp_path / "a.mcap")
    assert (topic, message.header.frame_id) == ("/fern/speed", "fern_level")


def test_both_readers_of_mcap_agree(log: SpeedLog, tmp_path: Path) -> None:
    write_mcap(tmp_path / "a.mcap", log)
    assert [linear(m) for *_, m in by_mcap(tmp_path / "a.mcap")] == [
        linear(m) for *_, m in by_rosbags(tmp_path / "a.mcap")
    ]


def test_ros1_bag_has_the_published_layout(log: SpeedLog, tmp_path: Path) -> None:
    """Bag format 2.0 (wiki.ros.org/Bags/Format/2.0): magic line, then a header record of 4096 bytes with op 3."""
    write_bag(tmp_path / "a.bag", log)
    content = (tmp_path / "a.bag").read_bytes()
    assert content.startswith(b"#ROSBAG V2.0\n")
    assert b"op=\x03" in content[13:4109]
    assert b"type=geometry_msgs/TwistWithCovarianceStamped" in content
    assert b"md5sum=8927a1a12fb2607ceea095b2dc440a96" in content  # of this type in ROS 1, from memory


@pytest.mark.parametrize("write", [write_mcap, write_bag])
@pytest.mark.parametrize(
    ("rows", "zero_ns", "says"),
    [
        (ROWS[1:2], 0, "no row of the speed log has a velocity"),
        (ROWS, -(10**9), "cannot be the stamp of a message"),
    ],
)
def test_nothing_is_left_when_nothing_can_be_written(
    write: Any, rows: tuple[str, ...], zero_ns: int, says: str, tmp_path: Path
) -> None:
    log = read_speed_columns(speed_folder(tmp_path / "log", rows) / "speed.csv")
    (tmp_path / "a.out").write_text("older")
    with pytest.raises(DataError, match=says):
        write(tmp_path / "a.out", log, zero_ns=zero_ns)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.out", "log"]
    assert (tmp_path / "a.out").read_text() == "older"
