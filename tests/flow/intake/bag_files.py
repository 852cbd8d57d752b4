"""Bags to read: written by ``rosbags`` in three formats, and by the independent ``mcap`` with ``mcap-ros2-support``."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from mcap_ros2.writer import Writer as McapWriter
from rosbags.rosbag1 import Writer as Ros1Writer
from rosbags.rosbag2 import StoragePlugin
from rosbags.rosbag2 import Writer as Ros2Writer
from rosbags.typesys import Stores, get_typestore

from flow.module import Camera

ROS1, ROS2 = get_typestore(Stores.ROS1_NOETIC), get_typestore(Stores.ROS2_HUMBLE)
ZERO_NS = 1_700_000_000_000_000_000
FORMATS = ("ros1.bag", "sqlite", "mcap", "other.mcap")
"""ROS 1; ROS 2 folders with SQLite and MCAP; an MCAP file by the other library."""


class Sink(Protocol):
    """Takes messages."""

    def __call__(self, topic: str, kind: str, stamp_ns: int, late_ns: int = 0, **fields: Any) -> None:
        """Write a message; it arrives ``late_ns`` after its stamp."""


@contextmanager
def bag(path: Path) -> Iterator[Sink]:
    """Give a way to write messages into a bag whose format ``path``'s name tells (`FORMATS`)."""
    if path.name.endswith("other.mcap"):
        with path.open("wb") as file, McapWriter(file) as writer:
            yield _mcap_sink(writer)
        return
    ros1 = path.suffix == ".bag"
    store = ROS1 if ros1 else ROS2
    plugin = StoragePlugin.MCAP if "mcap" in path.name else StoragePlugin.SQLITE3
    with Ros1Writer(path) if ros1 else Ros2Writer(path, version=9, storage_plugin=plugin) as writer:
        connections: dict[str, Any] = {}

        def sink(topic: str, kind: str, stamp_ns: int, late_ns: int = 0, **fields: Any) -> None:
            if topic not in connections:
                connections[topic] = writer.add_connection(topic, kind, typestore=store)
            message = build(store, kind, {"header": header(stamp_ns, ros1), **fields})
            data = store.serialize_ros1(message, kind) if ros1 else store.serialize_cdr(message, kind)
            writer.write(connections[topic], stamp_ns + late_ns, data)

        yield sink


def header(stamp_ns: int, ros1: bool = False) -> dict[str, Any]:
    sec, nanosec = divmod(stamp_ns, 10**9)
    return ({"seq": 0} if ros1 else {}) | {"stamp": {"sec": sec, "nanosec": nanosec}, "frame_id": "somewhere"}


def build(store: Any, kind: str, fields: Any) -> Any:
    """Make a message; fields that are not given are 0, empty or all 0."""
    made = {}
    for name, (node, what) in store.get_msgdef(kind).fields:
        given = fields.get(name)
        if node.name == "NAME":
            made[name] = build(store, what, given or {})
        elif node.name == "BASE":
            made[name] = given if given is not None else "" if what[0] == "string" else 0
        else:
            (_, (number, _)), count = what
            made[name] = np.asarray([0] * count if given is None else given, dtype=number)
    return store.types[kind](**made)


def plain(message: Any) -> Any:
    """Give a message as the other library takes it: dictionaries and lists."""
    if isinstance(message, np.ndarray):
        return message.tobytes() if message.dtype == np.uint8 else message.tolist()
    if not hasattr(message, "__msgtype__"):
        return message
    return {field.name: plain(getattr(message, field.name)) for field in dataclasses.fields(message)}


def _mcap_sink(writer: McapWriter) -> Sink:
    schemas: dict[str, Any] = {}

    def sink(topic: str, kind: str, stamp_ns: int, late_ns: int = 0, **fields: Any) -> None:
        if kind not in schemas:
            schemas[kind] = writer.register_msgdef(kind, ROS2.generate_msgdef(kind, ros_version=2)[0])
        message = plain(build(ROS2, kind, {"header": header(stamp_ns), **fields}))
        at_ns = stamp_ns + late_ns
        writer.write_message(topic, schemas[kind], message, log_time=at_ns, publish_time=at_ns)

    return sink


def vector(values: Iterable[float]) -> dict[str, float]:
    return dict(zip("xyz", map(float, values), strict=True))


def quaternion(values: Iterable[float]) -> dict[str, float]:
    return dict(zip("xyzw", map(float, values), strict=True))


def image(picture: Any, encoding: str = "mono8", big: bool = False, pad: int = 0) -> dict[str, Any]:
    """Fields of an Image; ``pad`` bytes follow each row."""
    rows = np.ascontiguousarray(picture).view(np.uint8).reshape(len(picture), -1)
    rows = np.pad(rows, ((0, 0), (0, pad)), constant_values=255)
    return {
        "height": picture.shape[0],
        "width": picture.shape[1],
        "encoding": encoding,
        "is_bigendian": int(big),
        "step": rows.shape[1],
        "data": rows.ravel(),
    }


def camera_info(camera: Camera, ros1: bool = False, model: str = "plumb_bob") -> dict[str, Any]:
    K = camera.matrix
    held = {
        "height": camera.height_px,
        "width": camera.width_px,
        "distortion_model": model,
        "d": camera.distortion_terms,
        "k": K.ravel(),
        "r": np.eye(3).ravel(),
        "p": np.column_stack([K, np.zeros(3)]).ravel(),
    }
    return {key.upper() if ros1 and len(key) == 1 else key: value for key, value in held.items()}
