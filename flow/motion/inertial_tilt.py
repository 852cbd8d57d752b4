"""The tilt by gyro and accelerometer, as the filter of what moves has it."""

from __future__ import annotations

from flow.motion.motion_filter import MotionFilter
from flow.rotation import RotationLog
from flow.tilt import AssumedLevel, AttitudeSource, LoggedTilt, Tilt, TiltSource


class InertialTilt(TiltSource):
    """Which way is down by gravity, the filter's state."""

    def __init__(self, motion: MotionFilter) -> None:
        self._motion = motion

    def at(self, time_s: float) -> Tilt | None:
        """Give the tilt, or None where it is not known."""
        return self._motion.tilt(time_s)


def tilt_source(attitude: AttitudeSource, rotations: RotationLog, motion: MotionFilter) -> TiltSource:
    """Make a source: ``logged`` roll and pitch, ``inertial`` from gyro and accelerometer, or ``level`` by assumption."""
    if attitude == "logged":
        return LoggedTilt()
    return InertialTilt(motion) if attitude == "inertial" else AssumedLevel(rotations)
