"""A speed log as twist-with-covariance messages: an MCAP file, or a ROS 1 bag."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from rosbags.rosbag1 import Writer as Ros1Writer
from rosbags.rosbag2 import StoragePlugin
from rosbags.rosbag2 import Writer as Ros2Writer
from rosbags.typesys import Stores, get_typestore

from flow.disk.files import replacing
from flow.errors import DataError
from flow.outlet.twist import FRAME_ID, TOPIC, Twist, twists
from flow.speedlog import SpeedLog

TYPE = "geometry_msgs/msg/TwistWithCovarianceStamped"


def write_mcap(path: Path, log: SpeedLog, *, zero_ns: int = 0, topic: str = TOPIC, frame_id: str = FRAME_ID) -> int:
    """Write one ROS 2 message a row that has a velocity, and give their number.

    Parameters
    ----------
    path
        The MCAP file; whole or not at all.
    log, zero_ns
        As in :func:`flow.outlet.twist.twists`.
    topic, frame_id
        Where it is published, and in which axes: those of REP 103, level, at the body origin.

    Raises
    ------
    DataError
        No row has a velocity, a stamp before the clock's zero, or the place cannot be written.
    """
    store = get_typestore(Stores.ROS2_JAZZY)
    types = store.types
    header, time = types["std_msgs/msg/Header"], types["builtin_interfaces/msg/Time"]
    with _beside(path, "bag") as made:
        writer = Ros2Writer(made, version=Ros2Writer.VERSION_LATEST, storage_plugin=StoragePlugin.MCAP)
        with writer:
            connection = writer.add_connection(topic, TYPE, typestore=store)
            count = 0
            for twist in _stamped(log, zero_ns, path):
                seconds, nanoseconds = divmod(twist.stamp_ns, 10**9)
                stamp = header(stamp=time(sec=seconds, nanosec=nanoseconds), frame_id=frame_id)
                message = _message(types, stamp, twist)
                writer.write(connection, twist.stamp_ns, store.serialize_cdr(message, TYPE))
                count += 1
        next(made.glob("*.mcap")).rename(made.with_suffix(".done"))
    return count


def write_bag(path: Path, log: SpeedLog, *, zero_ns: int = 0, topic: str = TOPIC, frame_id: str = FRAME_ID) -> int:
    """Write one ROS 1 message a row that has a velocity, and give their number; otherwise as :func:`write_mcap`."""
    store = get_typestore(Stores.ROS1_NOETIC)
    types = store.types
    header, time = types["std_msgs/msg/Header"], types["builtin_interfaces/msg/Time"]
    with _beside(path, "bag") as made:
        with Ros1Writer(made) as writer:
            connection = writer.add_connection(topic, TYPE, typestore=store)
            count = 0
            for twist in _stamped(log, zero_ns, path):
                seconds, nanoseconds = divmod(twist.stamp_ns, 10**9)
                stamp = header(seq=count, stamp=time(sec=seconds, nanosec=nanoseconds), frame_id=frame_id)
                message = _message(types, stamp, twist)
                writer.write(connection, twist.stamp_ns, store.serialize_ros1(message, TYPE))
                count += 1
        made.rename(made.with_suffix(".done"))
    return count


@contextmanager
def _beside(path: Path, name: str) -> Iterator[Path]:
    """Give a name for a bag that does not exist yet; what is renamed to ``.done`` there takes the place of ``path``."""
    with replacing(path) as temporary:
        made = temporary.with_name(f"{path.name}-{name}")
        yield made
        made.with_suffix(".done").replace(temporary)


def _stamped(log: SpeedLog, zero_ns: int, path: Path) -> Iterator[Twist]:
    """Give the twists; refuse a log that gives none, or one that a message cannot stamp."""
    if not log.usable.any():
        raise DataError("no row of the speed log has a velocity; there is nothing to write", path=path)
    for twist in twists(log, zero_ns):
        if not 0 <= twist.stamp_ns < 2**31 * 10**9:
            raise DataError(f"{twist.stamp_ns * 1e-9:.3f} s cannot be the stamp of a message", path=path)
        yield twist


def _message(types: Any, header: Any, twist: Twist) -> Any:
    vector = types["geometry_msgs/msg/Vector3"]
    x, y, z = (float(value) for value in twist.linear_m_s)
    both = types["geometry_msgs/msg/Twist"](linear=vector(x=x, y=y, z=z), angular=vector(x=0.0, y=0.0, z=0.0))
    covered = types["geometry_msgs/msg/TwistWithCovariance"](
        twist=both, covariance=np.ascontiguousarray(twist.covariance.ravel())
    )
    return types[TYPE](header=header, twist=covered)
