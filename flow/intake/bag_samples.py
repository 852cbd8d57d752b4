"""The samples of a bag on the clock of their header stamps, everything but the pictures themselves."""

from __future__ import annotations

from array import array
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.errors import DataError
from flow.intake.bag_images import PictureError, depth_bits, grey
from flow.intake.bag_reader import BagReader
from flow.intake.bag_topics import Topic

Array: TypeAlias = NDArray[np.float64]

_LATE_NS = 500_000_000  # messages arrive out of order by milliseconds; more is a clock that was set back


@dataclass(frozen=True, slots=True, kw_only=True)
class Samples:
    """Messages of one topic: ``stamp_ns`` (N,) from the headers, increasing; ``values`` (N, K)."""

    topic: Topic
    stamp_ns: NDArray[np.int64]
    values: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Pictures:
    """What the image topic holds, without the pictures: their stamps (N,), size, and bits of a grey value."""

    topic: Topic
    stamp_ns: NDArray[np.int64]
    width_px: int
    height_px: int
    bits: int
    encoding: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BagSamples:
    """What a bag holds for a recording, in the axes and units of its messages.

    ``imu`` values are gyro x y z, accelerometer x y z (NaN where the message says that there is none);
    ``range`` is metres (NaN where there was no reading); ``reference`` is position x y z, quaternion x y z w and,
    for odometry, linear velocity in the child frame. Parts that are absent are None; the others are the first
    message of their topic.
    """

    pictures: Pictures
    imu: Samples
    range: Samples | None
    reference: Samples | None
    first_range: Any
    camera_info: Any


def read_samples(bag: BagReader, topics: Mapping[str, Topic]) -> BagSamples:
    """Read a bag through once.

    Parameters
    ----------
    bag
        The bag.
    topics
        By part of a recording, from :func:`flow.intake.bag_topics.chosen_topics`.

    Raises
    ------
    DataError
        A picture that cannot be read, another size in mid-recording, stamps that are 0 or run backwards.
    """
    parts = {topic.name: part for part, topic in topics.items()}
    columns = {part: _Column(topic, bag.path) for part, topic in topics.items() if part in _VALUES}
    pictures = _PictureList(topics["image"], bag.path)
    first: dict[str, Any] = {}
    for name, message in bag.messages(parts):
        part = parts[name]
        first.setdefault(part, message)
        if part == "image":
            pictures.add(message)
        elif part in columns:
            columns[part].add(message.header.stamp, _VALUES[part](message))
    samples = {part: column.samples() for part, column in columns.items()}
    return BagSamples(
        pictures=pictures.listed(),
        imu=samples["imu"],
        range=samples.get("range"),
        reference=samples.get("reference"),
        first_range=first.get("range"),
        camera_info=first.get("camera-info"),
    )


def stamp_ns(stamp: Any) -> int:
    """Nanoseconds of a header stamp."""
    return int(stamp.sec) * 10**9 + int(stamp.nanosec)


class _Column:
    """Stamps and values of one topic as they come, eight bytes a number."""

    def __init__(self, topic: Topic, path: Path) -> None:
        self._topic, self._path = topic, path
        self._stamps, self._values = array("q"), array("d")
        self._latest_ns = 0

    def add(self, stamp: Any, values: tuple[float, ...]) -> None:
        now_ns = stamp_ns(stamp)
        _check_stamp(now_ns, self._latest_ns - _LATE_NS, len(self._stamps), self._topic, self._path)
        self._latest_ns = max(self._latest_ns, now_ns)
        self._stamps.append(now_ns)
        self._values.extend(values)

    def samples(self) -> Samples:
        """Give the samples in the order of their stamps, a message that was recorded twice once."""
        stamps = np.frombuffer(self._stamps, np.int64)
        values = np.frombuffer(self._values, np.float64).reshape(len(stamps), -1)
        order = np.argsort(stamps, kind="stable")
        stamps, values = stamps[order], values[order]
        again = np.concatenate([[False], np.diff(stamps) == 0])
        if again.any():
            equal = np.array_equal(values[again], values[np.flatnonzero(again) - 1], equal_nan=True)
            if not equal:
                i = int(again.argmax())
                problem = f"two messages with the stamp {stamps[i] * 1e-9:.9f} s differ; record one source a topic"
                raise DataError(problem, path=self._path, key=self._topic.name)
            stamps, values = stamps[~again], values[~again]
        return Samples(topic=self._topic, stamp_ns=stamps, values=values)


class _PictureList:
    """Stamps of the pictures as they come; of 16-bit ones the largest value too."""

    def __init__(self, topic: Topic, path: Path) -> None:
        self._topic, self._path = topic, path
        self._stamps = array("q")
        self._size: tuple[int, int] | None = None
        self._wide, self._largest, self._encoding = False, 0, ""

    def add(self, message: Any) -> None:
        now_ns = stamp_ns(message.header.stamp)
        number = len(self._stamps)
        _check_stamp(now_ns, self._stamps[-1] + 1 if number else 0, number, self._topic, self._path)
        self._stamps.append(now_ns)
        if number == 0 or self._wide:
            picture = picture_of(message, self._topic, number, self._path)
            if number == 0:
                self._size = picture.shape[1], picture.shape[0]
                self._wide = picture.dtype == np.uint16
                self._encoding = str(getattr(message, "encoding", None) or message.format)
            if self._wide:
                self._largest = max(self._largest, int(picture.max()))

    def listed(self) -> Pictures:
        assert self._size is not None
        return Pictures(
            topic=self._topic,
            stamp_ns=np.frombuffer(self._stamps, np.int64),
            width_px=self._size[0],
            height_px=self._size[1],
            bits=depth_bits(self._largest) if self._wide else 8,
            encoding=self._encoding,
        )


def picture_of(message: Any, topic: Topic, number: int, path: Path) -> Any:
    """Take the grey picture of an image message; say which one where it cannot be read."""
    try:
        return grey(message, topic.kind)
    except PictureError as error:
        raise DataError(f"message {number}: {error}", path=path, key=topic.name) from None


def _check_stamp(now_ns: int, least_ns: int, number: int, topic: Topic, path: Path) -> None:
    if now_ns == 0:
        problem = "header stamps are 0: the measurement has no time stamp; arrival times are no substitute"
        raise DataError(f"message {number}: {problem}", path=path, key=topic.name)
    if now_ns < least_ns:
        problem = f"message {number}: the header stamp {now_ns * 1e-9:.9f} s runs backwards; was the clock set back?"
        raise DataError(problem, path=path, key=topic.name)


def _imu(message: Any) -> tuple[float, ...]:
    # sensor_msgs/Imu: a first covariance of -1 says that there is no such measurement.
    rate = _vector(message.angular_velocity, message.angular_velocity_covariance)
    return (*rate, *_vector(message.linear_acceleration, message.linear_acceleration_covariance))


def _vector(vector: Any, covariance: Any) -> tuple[float, ...]:
    return (np.nan,) * 3 if covariance[0] == -1 else (vector.x, vector.y, vector.z)


def _range(message: Any) -> tuple[float, ...]:
    # sensor_msgs/Range: readings outside the limits are to be discarded; REP 117: infinite or NaN is no reading.
    read, least, most = float(message.range), float(message.min_range), float(message.max_range)
    return (read if np.isfinite(read) and (most <= least or least <= read <= most) else np.nan,)


def _reference(message: Any) -> tuple[float, ...]:
    pose = message.pose.pose if hasattr(message.pose, "pose") else message.pose
    p, q = pose.position, pose.orientation
    v = message.twist.twist.linear if hasattr(message, "twist") else None
    moving = (np.nan,) * 3 if v is None else (v.x, v.y, v.z)
    return (p.x, p.y, p.z, q.x, q.y, q.z, q.w, *moving)


_VALUES: dict[str, Callable[[Any], tuple[float, ...]]] = {"imu": _imu, "range": _range, "reference": _reference}
