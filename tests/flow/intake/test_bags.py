"""A bag as the parts of a recording.

IMU messages are in REP 103 axes (x forward, y left, z up); the expected body values (x forward, y right, z down) are
written out by hand. Equality where a double is carried over or a sign changes.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from flow.errors import DataError
from flow.intake.bags import read_bag
from flow.intake.gathered import Gathered
from flow.sections import Camera
from tests.flow.intake.bag_files import FORMATS, ZERO_NS, Sink, bag, camera_info, image, quaternion, vector
from tests.flow.test_lens_files import FISHEYE, PINHOLE

MS = 1_000_000
UPRIGHT = (0.5, -0.25, 9.8)
SMALL = PINHOLE.model_copy(update={"width_px": 20, "height_px": 16, "cx_px": 9.5, "cy_px": 7.5})
IMAGE, IMU, RANGE = "sensor_msgs/msg/Image", "sensor_msgs/msg/Imu", "sensor_msgs/msg/Range"


def picture(i: int, wide: bool = False) -> Any:
    held = np.arange(16 * 20).reshape(16, 20) * 3 + i
    return held.astype(np.uint16) if wide else (held // 4).astype(np.uint8)


def pictures(sink: Sink, topic: str = "/down/image_raw", start_ms: int = 0, wide: bool = False) -> None:
    for i in range(5):
        fields = image(picture(i, wide), "mono16" if wide else "mono8")
        sink(topic, IMAGE, ZERO_NS + (start_ms + 20 * i) * MS, **fields)


def turns(sink: Sink, topic: str = "/imu", accel: Any = UPRIGHT, start_ms: int = 0, **fields: Any) -> None:
    for i in range(20):
        held = {"angular_velocity": vector([0.1, 0.2, 0.3 + 0.01 * i]), "linear_acceleration": vector(accel)}
        sink(topic, IMU, ZERO_NS + (start_ms + 5 * i + 2) * MS, **held | fields)


def ranges(sink: Sink, read: float = 1.5, start_ms: int = 0, **fields: Any) -> None:
    for i in range(4):
        limits = {"min_range": 0.25, "max_range": 8.0}
        sink("/sonar", RANGE, ZERO_NS + (start_ms + 25 * i + 4) * MS, range=read, **limits, **fields)


@pytest.mark.parametrize("name", FORMATS)
def test_the_parts_of_a_recording(name: str, tmp_path: Path) -> None:
    with bag(tmp_path / name) as sink:
        pictures(sink)
        turns(sink)
        ranges(sink)
        sink("/down/camera_info", "sensor_msgs/msg/CameraInfo", ZERO_NS, **camera_info(SMALL, name == "ros1.bag"))
        for i in range(5):
            pose = {"pose": {"position": vector([0, 0.02 * i, 0]), "orientation": quaternion([0, 0, 0, 1])}}
            twist = {"twist": {"linear": vector([0, 1, 0])}}
            sink("/odom", "nav_msgs/msg/Odometry", ZERO_NS + 20 * i * MS, pose=pose, twist=twist)
    held = read_bag(tmp_path / name)
    assert held.time_zero_ns == ZERO_NS
    assert held.frames.times_s.tolist() == [0.0, 0.02, 0.04, 0.06, 0.08]
    for _ in range(2):  # they may be read again
        assert all(np.array_equal(luma, picture(i)) for i, luma in enumerate(shown(held)))
    assert held.gyro.time_s[:2].tolist() == [0.002, 0.007]
    assert held.gyro.rate_rad_s[0].tolist() == [0.1, -0.2, -0.3]  # forward, right, down
    assert held.gyro.accel_m_s2 is not None
    assert held.gyro.accel_m_s2[0].tolist() == [0.5, 0.25, -9.8]
    assert held.range is not None
    assert held.range.time_s.tolist() == [0.004, 0.029, 0.054, 0.079]
    assert held.range.range_m.tolist() == [1.5] * 4
    limits, lens = dict(held.sections["range"]), dict(held.sections["camera"])
    assert limits.pop("provenance")["topic"] == "/sonar"
    assert limits == {"beam": "wide", "min_m": 0.25, "max_m": 8.0}
    assert lens.pop("provenance")["topic"] == "/down/camera_info"
    # 0.5 % of the focal length; nothing in a bag says how the camera sits, how late it is and how its shutter rolls.
    assert lens.pop("sigma") == {"fx_px": 2.656, "fy_px": 2.6595, "readout_s": 0.01}
    assert set(held.sections["alignment"]) == set(held.sections["gyro"]) == {"sigma"}
    assert Camera(**lens) == SMALL.model_copy(update={"readout_s": 0.0})
    assert held.truth is not None
    assert (held.truth.forward_m_s[0], held.truth.right_m_s[0], held.truth.down_m_s[0]) == (0, -1, 0)  # y points left
    assert np.isnan(held.truth.height_m).all()
    assert held.origins["gyro"].inside == {"topic": "/imu", "type": IMU, "messages": 20}
    assert held.mapping["topics"]["reference"] == "/odom"
    assert read_bag(tmp_path / name, ground_z_m=-1.25).truth.height_m.tolist() == [1.25] * 5  # type: ignore[union-attr]


def shown(held: Gathered) -> list[Any]:
    assert held.frames.pictures is not None
    found = list(held.frames.pictures)
    assert len(found) == len(held.frames.times_s)
    return found


def test_sixteen_bits_become_eight(tmp_path: Path) -> None:
    with bag(tmp_path / "a.bag") as sink:
        pictures(sink, wide=True)
        turns(sink)
    held = read_bag(tmp_path / "a.bag")
    # The largest value is 319 * 3 + 4 = 961: 10 bits, of which the top 8 are the value over 4.
    assert all(np.array_equal(luma, picture(i, wide=True) // 4) for i, luma in enumerate(shown(held)))
    assert held.remarks == ("/down/image_raw: mono16 fills 10 bits, of which the top 8 are kept",)
    assert held.range is None
    assert "camera" not in held.sections


def test_a_mounting_of_the_imu_counts(tmp_path: Path) -> None:
    with bag(tmp_path / "a.bag") as sink:
        pictures(sink)
        turns(sink, accel=(-9.8, 0, 0))
    with pytest.raises(DataError, match=r"reads \(-9.8, \+0.0, \+0.0\) .* confirm it with --axes 'x=z y=-y z=x' "):
        read_bag(tmp_path / "a.bag")
    # The IMU's x points down, its y forward, its z right.
    held = read_bag(tmp_path / "a.bag", axes="x=y y=z z=x")
    assert held.gyro.rate_rad_s[0].tolist() == [0.2, 0.3, 0.1]
    assert held.gyro.accel_m_s2 is not None
    assert held.gyro.accel_m_s2[0].tolist() == [0, 0, -9.8]


@pytest.mark.parametrize("accel", [(0.5, -0.25, -9.8), (9.8, 0, 0), (0, 9.8, 0)])
def test_gravity_that_points_elsewhere_is_refused(accel: Any, tmp_path: Path) -> None:
    with bag(tmp_path / "a.bag") as sink:
        pictures(sink)
        turns(sink, accel=accel)
    with pytest.raises(DataError, match=r"/imu: the accelerometer reads .* do not make 9\.8 upwards"):
        read_bag(tmp_path / "a.bag")


def test_an_imu_whose_z_points_down_is_told_what_to_type(tmp_path: Path) -> None:
    with bag(tmp_path / "a.bag") as sink:
        pictures(sink)
        turns(sink, accel=(0.5, 0.25, -9.8))
    with pytest.raises(DataError, match="confirm it with --axes 'x=x y=y z=z'"):
        read_bag(tmp_path / "a.bag")
    held = read_bag(tmp_path / "a.bag", axes="x=x y=y z=z")
    assert held.gyro.rate_rad_s[0].tolist() == [0.1, 0.2, 0.3]
    assert held.mapping["imu_axes"] == "x=x y=y z=z"


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({"angular_velocity": vector([20, -30, 5])}, "turns at 36.4 rad/s RMS.* is it published in deg/s"),
        ({"linear_acceleration": vector([0, 0, 1])}, "reads 1 m/s2 .median.* is it published in g"),
        ({"linear_acceleration": vector([0, 0, 14])}, "reads 14 m/s2 .median"),
    ],
)
def test_other_units_than_those_of_the_message_are_refused(fields: Any, says: str, tmp_path: Path) -> None:
    with bag(tmp_path / "a.bag") as sink:
        pictures(sink)
        turns(sink, **fields)
    with pytest.raises(DataError, match=f"/imu: {says}"):
        read_bag(tmp_path / "a.bag")


def test_an_imu_without_accelerometer(tmp_path: Path) -> None:
    none = np.array([-1.0, *[0.0] * 8])
    with bag(tmp_path / "a.bag") as sink:
        pictures(sink)
        turns(sink, linear_acceleration_covariance=none)
        turns(sink, "/silent", angular_velocity_covariance=none)
    assert read_bag(tmp_path / "a.bag", {"imu": "/imu"}).gyro.accel_m_s2 is None
    with pytest.raises(DataError, match="/silent: its messages say that they hold no turn rates"):
        read_bag(tmp_path / "a.bag", {"imu": "/silent"})


def test_a_laser_is_narrow(tmp_path: Path) -> None:
    with bag(tmp_path / "a.bag") as sink:
        pictures(sink)
        turns(sink)
        ranges(sink, radiation_type=1)
        sink("/down/camera_info", "sensor_msgs/msg/CameraInfo", ZERO_NS, **camera_info(SMALL, ros1=True))
    assert read_bag(tmp_path / "a.bag").sections["range"]["beam"] == "narrow"


@pytest.mark.parametrize("late", ["imu", "range"])
def test_topics_that_never_overlap_are_refused(late: str, tmp_path: Path) -> None:
    with bag(tmp_path / "a.bag") as sink:
        pictures(sink)
        turns(sink, start_ms=5000 * (late == "imu"))
        ranges(sink, start_ms=5000 * (late == "range"))
    with pytest.raises(DataError, match=r"covers 17\d+\.\d{3} to .*/down/image_raw 17.* they never overlap; were both"):
        read_bag(tmp_path / "a.bag")


def test_ranges_beyond_their_own_limits_are_refused(tmp_path: Path) -> None:
    with bag(tmp_path / "a.bag") as sink:
        pictures(sink)
        turns(sink)
        ranges(sink, read=9.0)
    with pytest.raises(DataError, match="/sonar: none of its 4 readings lies within the limits"):
        read_bag(tmp_path / "a.bag")
    assert read_bag(tmp_path / "a.bag", {"range": "none"}).range is None


def test_a_picture_that_changes_size_is_refused(tmp_path: Path) -> None:
    with bag(tmp_path / "a.bag") as sink:
        pictures(sink)
        sink("/down/image_raw", IMAGE, ZERO_NS + 200 * MS, **image(picture(0)[:8]))
        turns(sink)
    with pytest.raises(DataError, match="changes from 20 x 16 to 20 x 8 px at message 5"):
        shown(read_bag(tmp_path / "a.bag"))


@pytest.mark.parametrize(
    ("camera", "changes", "says"),
    [
        (PINHOLE, {}, "is for 640 x 480 px, not the images of 20 x 16 px; no lens is taken over"),
        (SMALL, {"k": np.zeros(9)}, "never calibrated; no lens is taken over"),
        (SMALL, {"binning_x": 2}, "no lens is taken over"),
    ],
)
def test_a_lens_of_other_pictures_is_left_out(camera: Any, changes: Any, says: str, tmp_path: Path) -> None:
    with bag(tmp_path / "a.mcap") as sink:
        pictures(sink)
        turns(sink)
        sink("/down/camera_info", "sensor_msgs/msg/CameraInfo", ZERO_NS, **camera_info(camera) | changes)
    held = read_bag(tmp_path / "a.mcap")
    assert "camera" not in held.sections
    assert says in held.remarks[0]


def test_a_lens_that_ours_cannot_express_is_refused(tmp_path: Path) -> None:
    terms = {"d": np.array([0.1, 0, 0, 0, 0, 0.2, 0, 0])}
    with bag(tmp_path / "a.mcap") as sink:
        pictures(sink)
        turns(sink)
        fields = camera_info(SMALL, model="rational_polynomial") | terms
        sink("/down/camera_info", "sensor_msgs/msg/CameraInfo", ZERO_NS, **fields)
    with pytest.raises(DataError, match=r"/down/camera_info: .* that are not 0.*--topic camera-info=none"):
        read_bag(tmp_path / "a.mcap")
    assert read_bag(tmp_path / "a.mcap", {"camera-info": "none"}).sections == {}


def test_rectified_pictures_have_the_lens_of_p(tmp_path: Path) -> None:
    fisheye = FISHEYE.model_copy(update={"width_px": 20, "height_px": 16, "cx_px": 9.5, "cy_px": 7.5})
    fields = camera_info(fisheye, model="equidistant")
    fields["p"] = np.array([100.0, 0, 10, 0, 0, 101, 8, 0, 0, 0, 1, 0])
    for topic, model, fx in (("image_rect", "pinhole", 100.0), ("image_raw", "fisheye", 231.2)):
        with bag(tmp_path / f"{topic}.mcap") as sink:
            pictures(sink, f"/down/{topic}")
            turns(sink)
            sink("/down/camera_info", "sensor_msgs/msg/CameraInfo", ZERO_NS, **fields)
        camera = read_bag(tmp_path / f"{topic}.mcap").sections["camera"]
        assert (camera["model"], camera["fx_px"]) == (model, fx)
