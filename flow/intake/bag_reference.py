"""Odometry or poses to the columns of a reference log: velocity along forward, right and down in level axes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation, Slerp

from flow.intake.bag_samples import Samples
from flow.intake.bag_topics import ODOMETRY

Array: TypeAlias = NDArray[np.float64]

_MOVING_M_S = 0.05
_DISAGREES = 0.5  # RMS difference as a share of the speed; a right twist differs by its noise
_NORM_SLACK = 0.01
_LONGEST_STEP = 10.0  # of the usual step: no velocity is made up across a longer hole


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelMotion:
    """A reference: ``stamp_ns`` (N,), ``velocity_m_s`` (N, 3) forward, right, down, ``world_z_m`` (N,) up.

    ``remark`` says how it was derived.
    """

    stamp_ns: NDArray[np.int64]
    velocity_m_s: Array
    world_z_m: Array
    remark: str


def level_motion(reference: Samples) -> LevelMotion | None:
    """Derive velocity in level axes; None where there are too few poses or an orientation is no rotation.

    The world's z points up and the child frame's x forward (REP 103, REP 105). The twist of an odometry message is
    in its child frame (nav_msgs/Odometry); where it contradicts the poses of the same messages, and where there is
    no twist, the velocity is the displacement between consecutive poses over their time, stamped in the middle.
    """
    position, quaternion, twist = reference.values[:, :3], reference.values[:, 3:7], reference.values[:, 7:]
    right = np.abs(np.linalg.norm(quaternion, axis=1) - 1) < _NORM_SLACK
    if len(position) < 2 or not right.all() or not np.isfinite(position).all():
        return None
    R_world_child = Rotation.from_quat(quaternion)
    between_ns, between_m_s, R_between = _between(reference.stamp_ns, position, R_world_child)
    from_poses = LevelMotion(
        stamp_ns=between_ns,
        velocity_m_s=_level(between_m_s, R_between),
        world_z_m=(position[1:, 2] + position[:-1, 2]) / 2,
        remark="displacement between consecutive poses",
    )
    if reference.topic.kind != ODOMETRY or np.isnan(twist).any():
        return from_poses
    given_m_s = R_world_child.apply(twist)
    if _contradicts((given_m_s[1:] + given_m_s[:-1]) / 2, between_m_s):
        remark = from_poses.remark + ", because the twist contradicts the poses (is it in the world frame?)"
        return LevelMotion(
            stamp_ns=from_poses.stamp_ns,
            velocity_m_s=from_poses.velocity_m_s,
            world_z_m=from_poses.world_z_m,
            remark=remark,
        )
    return LevelMotion(
        stamp_ns=reference.stamp_ns,
        velocity_m_s=_level(given_m_s, R_world_child),
        world_z_m=position[:, 2],
        remark="twist in the child frame",
    )


def _between(
    stamp_ns: NDArray[np.int64], position_m: Array, R_world_child: Rotation
) -> tuple[NDArray[np.int64], Array, Rotation]:
    """Mean velocity and middle orientation between consecutive poses; NaN across a hole."""
    time_s = (stamp_ns - stamp_ns[0]) * 1e-9
    step_s = np.diff(time_s)
    velocity = np.diff(position_m, axis=0) / step_s[:, None]
    velocity[step_s > _LONGEST_STEP * np.median(step_s)] = np.nan
    middle = Slerp(time_s, R_world_child)((time_s[1:] + time_s[:-1]) / 2)
    return stamp_ns[:-1] + np.diff(stamp_ns) // 2, velocity, middle


def _level(velocity_world_m_s: Array, R_world_child: Rotation) -> Array:
    """Turn (N, 3) from the world (z up) to forward, right, down: forward is the child's x, laid level."""
    x_axis = R_world_child.apply([1.0, 0.0, 0.0])
    heading = x_axis[:, :2] / np.linalg.norm(x_axis[:, :2], axis=1, keepdims=True)
    vx, vy, vz = velocity_world_m_s.T
    forward = vx * heading[:, 0] + vy * heading[:, 1]
    right = vx * heading[:, 1] - vy * heading[:, 0]
    return np.column_stack([forward, right, -vz])


def _contradicts(given_m_s: Array, between_m_s: Array) -> bool:
    known = ~np.isnan(between_m_s[:, 0])
    speed, difference = (
        np.sqrt(np.mean(np.sum(v[known] ** 2, axis=1))) for v in (between_m_s, given_m_s - between_m_s)
    )
    return bool(speed > _MOVING_M_S and difference > _DISAGREES * speed)
