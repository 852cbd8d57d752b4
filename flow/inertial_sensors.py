"""What is believed of low-cost inertial sensors, and standard gravity: one value for whoever asks."""

from __future__ import annotations

from typing import Final

# source: m/s^2, standard gravity (CGPM 1901); up to 0.3 % off with latitude, which the accelerometer's bias takes up
GRAVITY_M_S2: Final = 9.80665

ACCELEROMETER_M: Final = 0.007  # prior: m one-sigma, of where the accelerometer sits from the body origin, each axis
# prior: m/s^2 one-sigma, a zero offset of 8 mg after a calibration, low-cost silicon (common practice, from memory)
ACCELEROMETER_BIAS_M_S2: Final = 0.08
# density: m/s^2/rts, by which that bias wanders with temperature (common practice, from memory)
ACCELEROMETER_WALK_M_S2_RTS: Final = 3e-4
LEAST_GYRO_NOISE: Final = 1e-6  # density: rad/s/rtHz, next to none: a file that says 0 means "not known"
GYRO_WALK_RAD_S_RTS: Final = 1e-5  # density: rad/s/rts, by which a gyro's bias wanders (common practice, from memory)
# prior: s, rocking by 0.1 rad at 2.5 Hz and unseen for so long leaves 7 mrad: a longer hole between samples is not bridged
HOLE_S: Final = 0.06
