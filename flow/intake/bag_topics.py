"""Which topics of a bag hold what: chosen by type, and shown where the type does not decide."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from flow.errors import DataError
from flow.wording import counted

POSES = ("geometry_msgs/msg/PoseStamped", "geometry_msgs/msg/PoseWithCovarianceStamped")
ODOMETRY = "nav_msgs/msg/Odometry"

KINDS: Mapping[str, tuple[str, ...]] = {
    "image": ("sensor_msgs/msg/Image", "sensor_msgs/msg/CompressedImage"),
    "imu": ("sensor_msgs/msg/Imu",),
    "range": ("sensor_msgs/msg/Range",),
    "reference": (ODOMETRY, *POSES),
    "camera-info": ("sensor_msgs/msg/CameraInfo",),
}
"""Message types that serve for each part of a recording."""

PARTS = tuple(KINDS)

_ARTICLE = {"image": "an image", "imu": "an IMU", "range": "a range", "reference": "an odometry or pose"}
_NEEDED = ("image", "imu")
NONE = "none"
"""What a person names to leave a part out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Topic:
    """A topic of a bag: its name, its message type (ROS 2 spelling) and how many messages it has."""

    name: str
    kind: str
    count: int


def chosen_topics(topics: list[Topic], wanted: Mapping[str, str], path: Path) -> dict[str, Topic]:
    """Choose a topic for every part of a recording; an optional part without any is left out.

    Parameters
    ----------
    topics
        What the bag holds.
    wanted
        By part (`PARTS`), the topic that a person names, or `NONE`.
    path
        The bag, for the messages.

    Raises
    ------
    DataError
        No image or IMU, several of a kind, or a named topic that is absent or of another type: the message lists
        what there is and what to type.
    """
    found = {part: _chosen(part, topics, wanted.get(part), path) for part in KINDS if part != "camera-info"}
    image = found["image"]
    assert image is not None
    infos = [topic for topic in topics if topic.kind in KINDS["camera-info"]]
    if wanted.get("camera-info") is None and len(infos) > 1:
        # The convention of camera drivers: camera_info stands beside the image, or beside what was compressed.
        parents = {image.name.rpartition("/")[0], image.name.rpartition("/")[0].rpartition("/")[0]}
        beside = [topic for topic in infos if topic.name.rpartition("/")[0] in parents]
        found["camera-info"] = beside[0] if len(beside) == 1 else _chosen("camera-info", topics, None, path)
    else:
        found["camera-info"] = _chosen("camera-info", topics, wanted.get("camera-info"), path)
    return {part: topic for part, topic in found.items() if topic is not None}


def _chosen(part: str, topics: list[Topic], named: str | None, path: Path) -> Topic | None:
    if named == NONE and part not in _NEEDED:
        return None
    fitting = [topic for topic in topics if topic.kind in KINDS[part] and topic.count]
    if named is not None:
        return _named(part, topics, fitting, named, path)
    if len(fitting) > 1:
        leave = "" if part in _NEEDED else f", or --topic {part}={NONE} to leave it out"
        problem = f"holds {counted(len(fitting), 'topic')} for {part}: {_shown(fitting)}; choose with --topic {part}=NAME{leave}"
        raise DataError(problem, path=path)
    if not fitting and part in _NEEDED:
        problem = f"holds no message of {_ARTICLE[part]} topic ({_types(part)}); it has {_shown(topics)}"
        raise DataError(problem, path=path)
    return fitting[0] if fitting else None


def _named(part: str, topics: list[Topic], fitting: list[Topic], named: str, path: Path) -> Topic:
    if (topic := next((topic for topic in fitting if topic.name == named), None)) is not None:
        return topic
    held = next((topic for topic in topics if topic.name == named), None)
    if held is None:
        problem = f"holds no topic {named}; for {part} it has {_shown(fitting)}"
    elif held.kind in KINDS[part]:
        problem = f"{named} has no message; for {part} there is {_shown(fitting)}"
    else:
        problem = f"{named} is of type {held.kind}, not {_types(part)}; for {part} there is {_shown(fitting)}"
    raise DataError(problem, path=path)


def _types(part: str) -> str:
    return " or ".join(kind.rpartition("/")[2] for kind in KINDS[part])


def _shown(topics: list[Topic]) -> str:
    """List topics in a line, the first few of many."""
    listed = [f"{topic.name} ({topic.kind.rpartition('/')[2]}, {topic.count})" for topic in topics[:8]]
    return ", ".join(listed + [f"and {len(topics) - 8} more"] * (len(topics) > 8)) or "nothing"
