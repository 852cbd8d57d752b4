"""Where things stand in the filter's vectors.

Axes: the *track frame* is level, z down, and as turned as the craft was at the start by what the gyro says: its heading
drifts with the gyro, and every error below is meant in it. Errors add to the values, the tilt error turns them:
``R_track_body = exp(tilt error) R_nominal``. The *anchor's frame* is what the track frame was when the anchor's picture was
taken, and does not drift.
"""

from __future__ import annotations

from typing import Final

# Errors: the vector that the covariance is about.
SEEN: Final = slice(0, 3)  # way since the first picture of a chain, less what the pictures showed of it, m
VELOCITY: Final = slice(3, 6)  # m/s
TILT: Final = slice(6, 8)  # small turn about the frame's x and y, rad
GYRO_BIAS: Final = slice(8, 11)  # rad/s, body axes
ACCEL_BIAS: Final = slice(11, 14)  # m/s^2, body axes
HEIGHT: Final = 14  # size: index, of the body origin above the ground, m
LEAN: Final = slice(15, 17)  # lean of the rows' level axes about forward and right, in one-sigmas of each row's tilt
POSITION: Final = slice(17, 19)  # way since the anchor in the anchor's frame, m
TURN: Final = 19  # size: index, of the turn of the track frame since the anchor, rad
ANCHOR_TILT: Final = slice(20, 22)  # tilt at the anchor as its picture shows it
DRIFT: Final = slice(22, 25)  # error of the rows' velocity that lasts for some rows, m/s
ANCHOR_HEIGHT: Final = 25  # size: index, of the height at the anchor, m
SLOPE: Final = slice(26, 28)  # of the ground against the plane that the anchor was taken with, rad
ERRORS: Final = 28  # size: states, of all errors

SHOWN: Final = slice(3, 15)
"""From velocity to height: what is told outside."""

# Values: the same with a rotation matrix in the place of the tilt.
V_SEEN: Final = slice(0, 3)
V_VELOCITY: Final = slice(3, 6)
V_ROTATION: Final = slice(6, 15)  # R_track_body, row by row
V_GYRO_BIAS: Final = slice(15, 18)
V_ACCEL_BIAS: Final = slice(18, 21)
V_HEIGHT: Final = 21  # size: index, of HEIGHT
V_LEAN: Final = slice(22, 24)
V_POSITION: Final = slice(24, 26)
V_TURN: Final = 26  # size: index, of TURN
V_ANCHOR_TILT: Final = slice(27, 29)  # small, against the attitude that was believed when the anchor was taken
V_DRIFT: Final = slice(29, 32)
V_ANCHOR_HEIGHT: Final = 32  # size: index, of ANCHOR_HEIGHT
V_SLOPE: Final = slice(33, 35)
VALUES: Final = 35  # size: values, of all states
PLAIN: Final = (
    (SEEN, V_SEEN),
    (VELOCITY, V_VELOCITY),
    (GYRO_BIAS, V_GYRO_BIAS),
    (ACCEL_BIAS, V_ACCEL_BIAS),
    (slice(14, 15), slice(21, 22)),
    (LEAN, V_LEAN),
    (POSITION, V_POSITION),
    (slice(19, 20), slice(26, 27)),
    (ANCHOR_TILT, V_ANCHOR_TILT),
    (DRIFT, V_DRIFT),
    (slice(25, 26), slice(32, 33)),
    (SLOPE, V_SLOPE),
)
"""Pairs of places whose errors simply add."""
