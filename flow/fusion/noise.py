"""How noisy the inertial sensors are: from the module file, the log itself, and common practice."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.fusion.inputs import DRIFT_LASTS_S
from flow.height import TERRAIN_M_RTS
from flow.inertial_sensors import (
    ACCELEROMETER_BIAS_M_S2,
    ACCELEROMETER_WALK_M_S2_RTS,
    GYRO_WALK_RAD_S_RTS,
    LEAST_GYRO_NOISE,
)
from flow.module import Module
from flow.numerics.third_difference import OF_WHITE
from flow.series import GyroSamples
from flow.tilt import TILT_LASTS_S

Array: TypeAlias = NDArray[np.float64]

_LEAST_SAMPLES = 64  # size: samples, whose third differences tell a density within a tenth one-sigma
_LEAST_BIAS_RAD_S = 1e-6  # prior: rad/s one-sigma, next to none
# prior: s, an acceleration lasts so long, and with it what a wrong scale or a skew axis makes of it
_MANOEUVRE_S = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class InertialNoise:
    """Noise of gyro and accelerometer, of the floor, and of the rows' own level.

    The accelerometer's defaults are those of low-cost silicon sensors (common practice, from memory: 1 to 4 mm/s^2 per
    root hertz; a zero offset within 8 mg after a calibration, as :class:`flow.motion.noise.MotionNoise` assumes; half a per cent
    of scale and of skew; the rest is their slow wander with temperature). The module file says how noisy its gyro is.

    Examples
    --------
    >>> import flow
    >>> from flow.fusion import InertialNoise
    >>> InertialNoise.of(flow.read_module("sample_video/flight/module.yaml")).gyro_rad_s_rthz
    (0.00012, 0.00012, 0.00012)
    """

    gyro_rad_s_rthz: tuple[float, float, float]
    gyro_bias_sigma_rad_s: tuple[float, float, float]
    gyro_bias_walk_rad_s_rts: float = GYRO_WALK_RAD_S_RTS
    accel_m_s2_rthz: float = 2e-3  # density: m/s^2/rtHz, see above
    accel_bias_sigma_m_s2: float = ACCELEROMETER_BIAS_M_S2
    accel_bias_walk_m_s2_rts: float = ACCELEROMETER_WALK_M_S2_RTS
    accel_scale_sigma: float = 0.005  # prior: share one-sigma, see above
    terrain_m_rts: float = TERRAIN_M_RTS
    lean_lasts_s: float = TILT_LASTS_S
    drift_lasts_s: float = DRIFT_LASTS_S
    raised: bool = False

    @staticmethod
    def of(module: Module) -> InertialNoise:
        """Noise by the module file, and defaults for what it does not say."""
        x, y, z = (max(float(sigma), LEAST_GYRO_NOISE) for sigma in module.gyro.noise_per_axis)
        a, b, c = (max(float(sigma), _LEAST_BIAS_RAD_S) for sigma in module.gyro.sigma.bias_rad_s)
        return InertialNoise(gyro_rad_s_rthz=(x, y, z), gyro_bias_sigma_rad_s=(a, b, c))

    def raised_by(self, samples: GyroSamples) -> InertialNoise:
        """Raise the accelerometer's noise to what a stretch of the log shows.

        Third differences of consecutive samples leave nothing of a flight's motion, and all of white noise and of the
        propellers' shaking. A log that was smoothed before it was written shows less than it has: noise is never
        lowered.
        """
        shown = shown_noise(samples)
        return replace(self, accel_m_s2_rthz=shown, raised=True) if shown > self.accel_m_s2_rthz else self

    def packed(self, module: Module) -> Array:
        """As the compiled steps take it: (21,).

        Variances per second of gyro (3), accelerometer, gyro bias (3), accelerometer bias and floor; the bias that the
        rows were measured with (3); gain and drop of the camera's height; rate and variance of the lean; rate and
        variance (3) of the drift; what the accelerometer's scale adds by squared acceleration.
        """
        return np.array(
            [
                *np.square(self.gyro_rad_s_rthz),
                self.accel_m_s2_rthz**2,
                *[self.gyro_bias_walk_rad_s_rts**2] * 3,
                self.accel_bias_walk_m_s2_rts**2,
                self.terrain_m_rts**2,
                *module.gyro.bias_rad_s,
                1.0,
                module.alignment.camera_position_m[2],
                1 / self.lean_lasts_s,
                1.0,
                1 / self.drift_lasts_s,
                0.0,
                0.0,
                0.0,
                self.accel_scale_sigma**2 * _MANOEUVRE_S,
            ]
        )


def shown_noise(samples: GyroSamples) -> float:
    """Noise density of the accelerometer as third differences of consecutive samples show it, m/s^2/sqrt(Hz).

    The median over stretches of a quarter second, so that a knock does not count; 0 where the samples are too few.
    """
    if samples.accel_m_s2 is None or len(samples.time_s) < _LEAST_SAMPLES:
        return 0.0
    step = float(np.median(np.diff(samples.time_s)))
    jerk = np.square(np.diff(samples.accel_m_s2, n=3, axis=0)).mean(axis=1) / OF_WHITE
    length = int(np.clip(0.25 / step, 8, len(jerk)))
    stretches = jerk[: len(jerk) // length * length].reshape(-1, length)
    means = stretches.mean(axis=1)
    means = means[np.isfinite(means)]
    return float(np.sqrt(np.median(means) * step)) if len(means) else 0.0
