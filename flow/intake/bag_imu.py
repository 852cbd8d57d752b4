"""IMU messages in our body axes, with gravity as the witness."""

from __future__ import annotations

from pathlib import Path
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.errors import DataError
from flow.intake.axes import R_body_log
from flow.intake.bag_samples import Samples
from flow.intake.log_checks import FASTEST_TURN_RAD_S, WILD_TURN_RAD_S, by_gravity
from flow.intake.units import STANDARD_GRAVITY_M_S2
from flow.series import GyroSamples

Array: TypeAlias = NDArray[np.float64]

REP_103 = "x=x y=-y z=-z"
"""Axes of an IMU message by convention: x forward, y left, z up, where the body has y right and z down."""

_MOST_TILTED = np.cos(np.radians(60))  # a median over a flight or over turns by hand stays well inside
_RIGHT_FORCE = 0.25  # of gravity: the median over a recording stays within
_FEW = 10


def body_gyro(imu: Samples, zero_ns: int, path: Path, axes: str = REP_103) -> GyroSamples:
    """Turn IMU messages into gyro samples in body axes.

    Parameters
    ----------
    imu
        Gyro x y z and accelerometer x y z, as :mod:`flow.intake.bag_samples` gives them.
    zero_ns
        The stamp that becomes time 0.
    path
        The bag, for the messages.
    axes
        Which axis of the IMU each body axis is, as :func:`flow.intake.axes.R_body_log` reads it.

    Raises
    ------
    DataError
        No turn rate at all, units that are not the message's, or gravity points elsewhere than it does in a craft
        that stands upright: specific force at rest is -9.8 m/s2 on body z.
    """
    turn = R_body_log(axes)
    rate, accel = imu.values[:, :3] @ turn.T, imu.values[:, 3:] @ turn.T
    known = ~np.isnan(rate).any(axis=1)
    if not known.any():
        raise DataError("its messages say that they hold no turn rates", path=path, key=imu.topic.name)
    _check_rates(rate[known], imu, path)
    measured = bool(np.nan_to_num(accel).any())
    if measured:
        _check_gravity(accel, imu, path, axes)
    return GyroSamples(
        time_s=(imu.stamp_ns[known] - zero_ns) / 1e9,
        rate_rad_s=rate[known] + 0.0,  # no negative zero
        accel_m_s2=accel[known] + 0.0 if measured else None,
    )


def _check_rates(rate_rad_s: Array, imu: Samples, path: Path) -> None:
    rms = float(np.sqrt(np.mean(np.sum(rate_rad_s**2, axis=1))))
    if rms > WILD_TURN_RAD_S or np.abs(rate_rad_s).max() > FASTEST_TURN_RAD_S:
        problem = (
            f"turns at {rms:.3g} rad/s RMS, which no craft does: the message is in rad/s, is it published in deg/s?"
        )
        raise DataError(problem, path=path, key=imu.topic.name)


def _check_gravity(accel_m_s2: Array, imu: Samples, path: Path, axes: str) -> None:
    known = accel_m_s2[~np.isnan(accel_m_s2).any(axis=1)]
    force = np.median(known, axis=0)
    size = float(np.median(np.linalg.norm(known, axis=1)))
    if abs(size / STANDARD_GRAVITY_M_S2 - 1) > _RIGHT_FORCE:
        problem = f"reads {size:.3g} m/s2 (median), and gravity is 9.81: is it published in g, or out of order?"
        raise DataError(problem, path=path, key=imu.topic.name)
    if len(known) <= _FEW or force[2] < -_MOST_TILTED * size:
        return
    raw = np.median(imu.values[~np.isnan(imu.values[:, 3:]).any(axis=1), 3:], axis=0)
    read = f"({raw[0]:+.1f}, {raw[1]:+.1f}, {raw[2]:+.1f}) m/s2 on its x, y, z (median)"
    problem = f"the accelerometer reads {read}, which axes {axes!r} do not make 9.8 upwards; {by_gravity(raw[None])}"
    raise DataError(problem, path=path, key=imu.topic.name)
