"""Topics by type, and what is said where the type does not decide."""

from __future__ import annotations

from pathlib import Path

import pytest

from flow.errors import DataError
from flow.intake.bag_topics import Topic, chosen_topics


def topic(name: str, kind: str, count: int = 9) -> Topic:
    package = {"Odometry": "nav_msgs", "PoseStamped": "geometry_msgs"}.get(kind, "sensor_msgs")
    return Topic(name=name, kind=f"{package}/msg/{kind}", count=count)


IMAGE, IMU, RANGE = topic("/down/image_raw", "Image"), topic("/imu", "Imu"), topic("/sonar", "Range")
ODOMETRY, POSE = topic("/odom", "Odometry"), topic("/mocap", "PoseStamped")
NEAR, FAR = topic("/down/camera_info", "CameraInfo"), topic("/front/camera_info", "CameraInfo")


def names(topics: list[Topic], **wanted: str) -> dict[str, str]:
    chosen = chosen_topics(topics, {key.replace("_", "-"): value for key, value in wanted.items()}, Path("flight.bag"))
    return {part: topic.name for part, topic in chosen.items()}


def test_one_of_each_type_is_taken() -> None:
    other = Topic(name="/rosout", kind="rcl_interfaces/msg/Log", count=3)
    assert names([other, IMAGE, IMU, RANGE, ODOMETRY, NEAR]) == {
        "image": "/down/image_raw",
        "imu": "/imu",
        "range": "/sonar",
        "reference": "/odom",
        "camera-info": "/down/camera_info",
    }
    assert names([IMAGE, IMU]) == {"image": "/down/image_raw", "imu": "/imu"}


def test_camera_info_beside_the_image_is_taken() -> None:
    assert names([IMAGE, IMU, NEAR, FAR])["camera-info"] == "/down/camera_info"
    compressed = topic("/front/image_raw/compressed", "CompressedImage")
    assert names([compressed, IMU, NEAR, FAR])["camera-info"] == "/front/camera_info"


def test_a_named_topic_counts() -> None:
    topics = [IMAGE, topic("/front/image_raw", "Image"), IMU, topic("/imu2", "Imu"), ODOMETRY, POSE]
    chosen = names(topics, image="/front/image_raw", imu="/imu", reference="none")
    assert chosen == {"image": "/front/image_raw", "imu": "/imu"}


def test_topics_without_messages_do_not_count() -> None:
    assert names([IMAGE, topic("/image2", "Image", 0), IMU])["image"] == "/down/image_raw"


@pytest.mark.parametrize(
    ("topics", "wanted", "says"),
    [
        (
            [IMAGE, IMU, topic("/imu/raw", "Imu", 7)],
            {},
            "flight.bag: holds 2 topics for imu: /imu (Imu, 9), /imu/raw (Imu, 7); choose with --topic imu=NAME",
        ),
        ([IMU, RANGE], {}, "no message of an image topic (Image or CompressedImage); it has /imu (Imu, 9), /sonar"),
        ([IMAGE], {}, "no message of an IMU topic (Imu); it has /down/image_raw (Image, 9)"),
        ([], {}, "it has nothing"),
        (
            [IMAGE, IMU, ODOMETRY, POSE],
            {},
            "choose with --topic reference=NAME, or --topic reference=none to leave it out",
        ),
        ([IMAGE, IMU], {"image": "/gone"}, "holds no topic /gone; for image it has /down/image_raw (Image, 9)"),
        (
            [IMAGE, IMU],
            {"imu": "/down/image_raw"},
            "/down/image_raw is of type sensor_msgs/msg/Image, not Imu; for imu",
        ),
        ([IMAGE, IMU, topic("/r", "Range", 0)], {"range": "/r"}, "/r has no message; for range there is nothing"),
        ([IMAGE, IMU], {"imu": "none"}, "holds no topic none"),
        ([IMAGE, IMU, FAR, topic("/up/camera_info", "CameraInfo")], {}, "choose with --topic camera-info=NAME"),
    ],
)
def test_what_to_type_is_said(topics: list[Topic], wanted: dict[str, str], says: str) -> None:
    with pytest.raises(DataError) as error:
        chosen_topics(topics, wanted, Path("flight.bag"))
    assert says in str(error.value)
