"""Where things stand in the filter's vectors.

Axes: the *track frame* is level, z down, and as turned as the craft was at the start by what the gyro says: its heading
drifts with the gyro, and every error below is meant in it. Errors add to the values, the tilt error turns them:
``R_track_body = exp(tilt error) R_nominal``.
"""

from __future__ import annotations

from typing import Final

# Errors: the vector that the covariance is about.
SEEN: Final = slice(0, 3)  # way since the first picture of a chain, less what the pictures showed of it, m
VELOCITY: Final = slice(3, 6)  # m/s
TILT: Final = slice(6, 8)  # small turn about the frame's x and y, rad
GYRO_BIAS: Final = slice(8, 11)  # rad/s, body axes
ACCEL_BIAS: Final = slice(11, 14)  # m/s^2, body axes
HEIGHT: Final = 14  # body origin above the ground, m
LEAN: Final = slice(15, 17)  # by how much the rows' level axes lean, rad about forward and right
POSITION: Final = slice(17, 19)  # forward and right of the start, m
TURN: Final = 19  # heading of the start's frame against the track frame, rad
ANCHOR: Final = slice(20, 22)  # error of the anchor that positions are given against, m
DRIFT: Final = slice(22, 25)  # error of the rows' velocity that lasts for some rows, m/s
ERRORS: Final = 25

# Values: the same with a rotation matrix in the place of the tilt.
V_SEEN: Final = slice(0, 3)
V_VELOCITY: Final = slice(3, 6)
V_ROTATION: Final = slice(6, 15)  # R_track_body, row by row
V_GYRO_BIAS: Final = slice(15, 18)
V_ACCEL_BIAS: Final = slice(18, 21)
V_HEIGHT: Final = 21
V_LEAN: Final = slice(22, 24)
V_POSITION: Final = slice(24, 26)
V_TURN: Final = 26
V_ANCHOR: Final = slice(27, 29)
V_DRIFT: Final = slice(29, 32)
VALUES: Final = 32
PLAIN: Final = (
    (SEEN, V_SEEN),
    (VELOCITY, V_VELOCITY),
    (GYRO_BIAS, V_GYRO_BIAS),
    (ACCEL_BIAS, V_ACCEL_BIAS),
    (slice(14, 15), slice(21, 22)),
    (LEAN, V_LEAN),
    (POSITION, V_POSITION),
    (slice(19, 20), slice(26, 27)),
    (ANCHOR, V_ANCHOR),
    (DRIFT, V_DRIFT),
)
"""Pairs of places whose errors simply add."""
