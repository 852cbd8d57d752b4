"""Odometry and poses to level velocity, on a climbing circle flown at a sideslip, pitched and rolled.

Closed form: at speed v and sideslip b (moving to the left of the nose), forward = v cos b, right = -v sin b, down = -climb,
whatever pitch and roll are. Between poses the chord is shorter than the arc by (w dt)^2 / 24 = 4e-6 of the speed,
and the heading of the middle, between two tilted attitudes, is off by less still: 2e-5 m/s covers both.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from flow.intake.bag_reference import level_motion
from flow.intake.bag_samples import Samples
from flow.intake.bag_topics import ODOMETRY, Topic

SPEED, SLIP, CLIMB, TURN, STEP_NS = 1.5, 0.3, 0.2, 0.5, 20_000_000
EXPECTED = np.array([SPEED * np.cos(SLIP), -SPEED * np.sin(SLIP), -CLIMB])
POSE = "geometry_msgs/msg/PoseStamped"


def circle(kind: str, twist: str = "child") -> Samples:
    stamp_ns = 1_700_000_000_000_000_000 + STEP_NS * np.arange(200)
    t = 1e-9 * STEP_NS * np.arange(200)
    along = TURN * t
    radius = SPEED / TURN
    position = np.column_stack([radius * np.cos(along), radius * np.sin(along), 1 + CLIMB * t])
    world = np.column_stack([-SPEED * np.sin(along), SPEED * np.cos(along), np.full(200, CLIMB)])
    yaw = along + np.pi / 2 - SLIP
    R_world_child = Rotation.from_euler("ZYX", np.column_stack([yaw, np.full(200, 0.2), np.full(200, -0.15)]))
    given = {
        "child": R_world_child.inv().apply(world),
        "world": world,
        "none": np.full((200, 3), np.nan),
        "zero": 0 * world,
    }
    values = np.column_stack([position, R_world_child.as_quat(), given[twist]])
    return Samples(topic=Topic(name="/odom", kind=kind, count=200), stamp_ns=stamp_ns, values=values)


def test_odometry_gives_its_twist() -> None:
    found = level_motion(circle(ODOMETRY))
    assert found is not None
    assert found.velocity_m_s == pytest.approx(np.tile(EXPECTED, (200, 1)), rel=0, abs=1e-12)
    assert found.stamp_ns[0] == 1_700_000_000_000_000_000
    assert found.world_z_m[100] == pytest.approx(1 + CLIMB * 2, rel=0, abs=1e-12)
    assert "twist in the child frame" in found.remark


def test_poses_give_their_displacement() -> None:
    found = level_motion(circle(POSE, "none"))
    assert found is not None
    assert found.velocity_m_s == pytest.approx(np.tile(EXPECTED, (199, 1)), rel=0, abs=2e-5)
    assert found.stamp_ns[0] == 1_700_000_000_000_000_000 + STEP_NS // 2  # the middle of the two
    assert found.world_z_m[0] == pytest.approx(1 + CLIMB * 0.01, rel=0, abs=1e-12)


@pytest.mark.parametrize("twist", ["world", "zero"])
def test_a_twist_against_its_own_poses_is_not_taken(twist: str) -> None:
    found = level_motion(circle(ODOMETRY, twist))
    assert found is not None
    assert found.velocity_m_s == pytest.approx(np.tile(EXPECTED, (199, 1)), rel=0, abs=2e-5)
    assert "contradicts the poses" in found.remark


def test_no_velocity_is_made_up_across_a_hole() -> None:
    whole = circle(POSE, "none")
    keep = np.r_[0:100, 150:200]
    holed = Samples(topic=whole.topic, stamp_ns=whole.stamp_ns[keep], values=whole.values[keep])
    found = level_motion(holed)
    assert found is not None
    assert np.flatnonzero(np.isnan(found.velocity_m_s[:, 0])).tolist() == [99]


def test_an_orientation_that_is_none_is_no_reference() -> None:
    whole = circle(POSE, "none")
    values = whole.values.copy()
    values[:, 3:7] = 0
    assert level_motion(Samples(topic=whole.topic, stamp_ns=whole.stamp_ns, values=values)) is None
    assert level_motion(Samples(topic=whole.topic, stamp_ns=whole.stamp_ns[:1], values=whole.values[:1])) is None
