"""Where things stand in the filter's state vector x and its covariance P; all in the local inertial frame unless said."""

from __future__ import annotations

from typing import Final

VELOCITY: Final = slice(0, 3)
"""Of the body origin over the ground, the mean over the pair of frames, m/s."""
GRAVITY: Final = slice(3, 6)
"""m/s^2."""
ACCEL_BIAS: Final = slice(6, 9)
"""Reading less truth, body axes, m/s^2."""
GYRO_BIAS: Final = slice(9, 12)
"""Reading less truth, beside the bias of the module file, body axes, rad/s."""
ACCELERATION: Final = slice(12, 15)
"""What the specific force leaves of the acceleration; all of it where there is no accelerometer, m/s^2."""
LAST_FRAME: Final = slice(15, 18)
"""Image error of the frame that the pair begins with, as a displacement, m."""
NEW_FRAME: Final = slice(18, 21)
"""The same of the frame that it ends with."""
LASTING: Final = slice(21, 24)
"""Error of the velocities measured that goes on from pair to pair, m/s."""
STATES: Final = 24  # size: states, as above
