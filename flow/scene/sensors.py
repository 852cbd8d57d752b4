"""What gyro, accelerometer, range sensor and attitude estimator log of a motion.

Times given here are times of the motion; each function stamps its log with the clock of its own sensor.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.air import assumed_air_c
from flow.module import Gyro, Range
from flow.scene.motion import Motion
from flow.scene.patch import Patch
from flow.series import AttitudeSamples, GyroSamples, RangeSamples

Array: TypeAlias = NDArray[np.float64]

SOUND_20C_M_S = 343.2
"""Speed of sound in dry air at 20 degrees C and 101.325 kPa."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ImuErrors:
    """Noise of the gyro beyond what the module file says, and of the accelerometer.

    ``bias_walk_rad_s_rts`` is the rate random walk: the bias wanders by this much in one second (one-sigma).
    """

    rate_hz: float = 500.0
    bias_walk_rad_s_rts: float = 0.0
    accel_noise_m_s2_rthz: float = 2e-3
    accel_bias_m_s2: tuple[float, float, float] = (0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeErrors:
    """How a range sensor misbehaves beyond its noise; shares are probabilities of each reading.

    ``stray_share`` gives echoes from anywhere between the sensor's minimum and the ground, ``multiple_share``
    twice the distance (an echo that went to and fro twice), ``dropout_share`` no reading.
    ``air_temperature_c`` is the true one; the log carries it when ``logs_temperature``.
    """

    rate_hz: float = 20.0
    stray_share: float = 0.0
    multiple_share: float = 0.0
    dropout_share: float = 0.0
    air_temperature_c: float = 20.0
    logs_temperature: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class AttitudeErrors:
    """Rate, white noise and constant error of an attitude log."""

    rate_hz: float = 100.0
    noise_rad: float = 1e-3
    bias_rad: tuple[float, float] = (0.0, 0.0)


def sound_speed_m_s(air_temperature_c: float) -> float:
    """Speed of sound in dry air at 101.325 kPa, 343.2 sqrt(T / 293.15 K).

    >>> round(sound_speed_m_s(0.0), 2)
    331.29
    """
    return SOUND_20C_M_S * float(np.sqrt((air_temperature_c + 273.15) / 293.15))


def sense_turn(
    motion: Motion,
    span_s: tuple[float, float],
    clock_s: float,
    gyro: Gyro,
    errors: ImuErrors,
    rng: np.random.Generator,
) -> GyroSamples:
    """Log gyro and accelerometer: the instantaneous rate and specific force at each stamp, bias and noise.

    Parameters
    ----------
    motion
        The motion of the body; the accelerometer sits at its origin.
    span_s
        First and last time of the motion.
    clock_s
        Gyro clock minus time of the motion.
    gyro
        Bias and noise density of the module file.
    errors
        What the module file does not say.
    rng
        Source of the noise.
    """
    t = _instants(span_s, errors.rate_hz)
    step = 1 / np.sqrt(errors.rate_hz)
    rate = motion.rate_body(t) + gyro.bias_rad_s
    rate += rng.standard_normal(rate.shape) * gyro.noise_per_axis * np.sqrt(errors.rate_hz)
    walk = rng.standard_normal(rate.shape) * errors.bias_walk_rad_s_rts * step
    rate += np.cumsum(walk, axis=0) - walk[0]
    force = motion.specific_force(t) + errors.accel_bias_m_s2
    force += rng.standard_normal(force.shape) * errors.accel_noise_m_s2_rthz * np.sqrt(errors.rate_hz)
    return GyroSamples(time_s=t + clock_s, rate_rad_s=rate, accel_m_s2=force)


def sense_range(
    motion: Motion,
    span_s: tuple[float, float],
    clock_s: float,
    sensor: Range,
    errors: RangeErrors,
    patches: Sequence[Patch],
    rng: np.random.Generator,
) -> RangeSamples:
    """Log range as the sensor writes it: ``scale * range_m + offset_m`` is the distance in air as assumed.

    Parameters
    ----------
    motion
        The motion of the body.
    span_s
        First and last time of the motion.
    clock_s
        Range clock minus time of the motion.
    sensor
        The range section of the module file.
    errors
        What the module file does not say.
    patches
        Things on the ground; the one straight below (wide) or in the beam (narrow) gives the echo.
    rng
        Source of noise and failures.

    Returns
    -------
    Readings; NaN (an empty cell) where there is none: lost, or beyond the sensor's limits.
    """
    t = _instants(span_s, errors.rate_hz)
    distance = true_range_m(motion, t, sensor, patches)
    kind = rng.random(len(t))
    stray = rng.uniform(sensor.min_m, np.maximum(distance, sensor.min_m))
    edges = np.cumsum([errors.stray_share, errors.multiple_share, errors.dropout_share])
    distance = np.where(kind < edges[0], stray, np.where(kind < edges[1], 2 * distance, distance))
    if sensor.is_air_dependent:
        # The echo takes distance / true speed; the sensor multiplies by the speed that it assumes.
        distance *= sound_speed_m_s(assumed_air_c(sensor)) / sound_speed_m_s(errors.air_temperature_c)
    reading = (distance - sensor.offset_m) / sensor.scale
    reading += rng.standard_normal(len(t)) * sensor.noise_m / sensor.scale
    shown = sensor.scale * reading + sensor.offset_m
    lost = (kind >= edges[1]) & (kind < edges[2])
    reading[lost | (shown < sensor.min_m) | (shown > sensor.max_m) | (reading < 0)] = np.nan
    air = np.full(len(t), errors.air_temperature_c) if errors.logs_temperature else None
    return RangeSamples(time_s=t + clock_s, range_m=reading, air_temperature_c=air)


def true_range_m(motion: Motion, time_s: Array, sensor: Range, patches: Sequence[Patch] = ()) -> Array:
    """Distance from the sensor, m: perpendicular to the ground below (wide) or along body z (narrow)."""
    position, R_level_body = motion.pose(time_s)
    at = position + R_level_body.apply(np.array(sensor.position_m))
    beam = R_level_body.apply([0.0, 0.0, 1.0]) if sensor.beam == "narrow" else np.tile([0.0, 0.0, 1.0], (len(at), 1))
    distance = -at[:, 2] / np.where(beam[:, 2] > 0, beam[:, 2], np.nan)
    for patch in patches:
        reach = (-at[:, 2] - patch.height_m) / beam[:, 2]
        spot = at + reach[:, None] * beam
        over = patch.covers(spot[:, :2], time_s) & (reach > 0)
        distance = np.where(over, reach, distance)
    return np.asarray(distance)


def sense_attitude(
    motion: Motion,
    span_s: tuple[float, float],
    clock_s: float,
    errors: AttitudeErrors,
    rng: np.random.Generator,
) -> AttitudeSamples:
    """Log roll and pitch with white noise and constant errors."""
    t = _instants(span_s, errors.rate_hz)
    _, R_level_body = motion.pose(t)
    angles = R_level_body.as_euler("ZYX")[:, [2, 1]] + errors.bias_rad
    angles += rng.standard_normal(angles.shape) * errors.noise_rad
    return AttitudeSamples(time_s=t + clock_s, roll_rad=angles[:, 0].copy(), pitch_rad=angles[:, 1].copy())


def _instants(span_s: tuple[float, float], rate_hz: float) -> Array:
    count = int(np.floor((span_s[1] - span_s[0]) * rate_hz + 1e-9)) + 1
    return np.asarray(span_s[0] + np.arange(count) / rate_hz)
