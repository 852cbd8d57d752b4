"""How uncertain the filter's states are before anything is measured, and how fast each wanders."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.inertial_sensors import (
    ACCELEROMETER_BIAS_M_S2,
    ACCELEROMETER_M,
    ACCELEROMETER_WALK_M_S2_RTS,
    GYRO_WALK_RAD_S_RTS,
    LEAST_GYRO_NOISE,
)
from flow.module import Module

Array: TypeAlias = NDArray[np.float64]

# prior: rad/s one-sigma, what the bias of a low-cost silicon gyro changes by between bench and flight, by temperature alone
# (common practice, from memory): a few degrees at 0.01 deg/s each
_STRAYS_RAD_S = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class MotionNoise:
    """Priors (one-sigma) and noise densities.

    The gyro's come from the module file. The accelerometer's are those of low-cost silicon sensors (common practice, from
    memory: a zero offset within 8 mg after a calibration, wandering by 0.3 mm/s^2 in a second). Its white noise is taken as
    0.02 m/s^2/rtHz at least, ten times that of the sensor alone: sampling and vibration come on top.

    What the force leaves of the acceleration is a first-order Gauss-Markov process: with an accelerometer half a per cent of
    scale and skew of 2 m/s^2, and 7 mm between accelerometer and body origin times the angular acceleration (30 mm/s^2 on a
    craft that rocks by 5 rad/s^2); without one the acceleration of a lively flight, 0.5 m/s^2. It lasts as long as a manoeuvre.
    """

    gyro_rad_s_rthz: tuple[float, float, float]
    gyro_bias_rad_s: tuple[float, float, float]
    gyro_bias_walk_rad_s_rts: float = GYRO_WALK_RAD_S_RTS
    accel_m_s2_rthz: float = 0.02  # density: m/s^2/rtHz, see above
    accel_bias_m_s2: float = ACCELEROMETER_BIAS_M_S2
    accel_bias_walk_m_s2_rts: float = ACCELEROMETER_WALK_M_S2_RTS
    residual_acceleration_m_s2: float = 0.01  # prior: m/s^2 one-sigma, see above; what rocking adds, beside
    unmeasured_acceleration_m_s2: float = 0.5  # prior: m/s^2 one-sigma, see above
    manoeuvre_s: float = 0.7  # prior: s, a manoeuvre of a small rotorcraft
    lasting_s: float = 2.0  # prior: s, as long as a wrong tilt or height stays about the same

    def acceleration_m_s2(self, rocking_rad_s2: float, *, felt: bool) -> float:
        """One-sigma of the acceleration state along an axis, with or without an accelerometer."""
        if not felt:
            return self.unmeasured_acceleration_m_s2
        return float(np.hypot(self.residual_acceleration_m_s2, ACCELEROMETER_M * rocking_rad_s2))

    @staticmethod
    def of(module: Module) -> MotionNoise:
        """Noise by the module file, and defaults for what it does not say."""
        x, y, z = (max(float(sigma), LEAST_GYRO_NOISE) for sigma in module.gyro.noise_per_axis)
        a, b, c = (float(np.hypot(sigma, _STRAYS_RAD_S)) for sigma in module.gyro.sigma.bias_rad_s)
        return MotionNoise(gyro_rad_s_rthz=(x, y, z), gyro_bias_rad_s=(a, b, c))
