"""A craft that sways, rocks and turns, exactly, and what its sensors and pairs of frames would show of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from flow.force_sum import ForceSum
from flow.module import Gyro, Module
from flow.motion.motion_filter import MotionFilter
from flow.motion.row import VelocityRow
from flow.rotation import RotationLog
from flow.series import GyroSamples
from tests.streams import plain_module

Array = NDArray[np.float64]

GRAVITY_M_S2 = np.array([0.0, 0.0, 9.80665])
SAMPLE_S, FRAME_S = 1 / 400, 1 / 40
SWAY_M_S, SWAY_HZ = np.array([0.5, -0.3, 0.1]), np.array([0.4, 0.3, 0.6])
ROCK_RAD, ROCK_HZ = np.array([0.08, 0.06, 0.0]), np.array([1.3, 0.9, 1.0])


def module(gyro_bias_sigma_rad_s: float = 1e-6, noise_rad_s_rthz: float = 1e-6) -> Module:
    keys: Any = {
        "noise_rad_s_rthz": noise_rad_s_rthz,
        "sigma": {"bias_rad_s": [gyro_bias_sigma_rad_s] * 3},
    }
    return plain_module(gyro=Gyro.model_validate(keys).model_dump())


@dataclass(kw_only=True)
class Craft:
    """Truth: in a level frame that stands still, and what is wrong with the sensors.

    ``cruise_m_s`` (3,) is the constant part of the velocity, ``push_m_s2`` (3,) an acceleration from 3 s to 6 s, ``lean`` the
    attitude about which it rocks, ``yaw_rad_s`` how it turns about the vertical.
    """

    cruise_m_s: Array = field(default_factory=lambda: np.zeros(3))
    push_m_s2: Array = field(default_factory=lambda: np.zeros(3))
    sways: float = 1.0
    lean: Rotation = field(default_factory=Rotation.identity)
    yaw_rad_s: float = 0.0
    accel_bias_m_s2: Array = field(default_factory=lambda: np.zeros(3))
    gyro_bias_rad_s: Array = field(default_factory=lambda: np.zeros(3))

    def attitude(self, time_s: Array) -> Rotation:
        """R_level_body at times (N,)."""
        t = np.asarray(time_s)[:, None]
        yaw = Rotation.from_rotvec(np.column_stack([0 * t, 0 * t, self.yaw_rad_s * t]))
        return yaw * self.lean * Rotation.from_rotvec(ROCK_RAD * np.sin(2 * np.pi * ROCK_HZ * t))

    def acceleration(self, time_s: Array) -> Array:
        """(N, 3)."""
        t = np.asarray(time_s)[:, None]
        pushed = self.push_m_s2 * ((t > 3) & (t < 6))
        return self.sways * SWAY_M_S * 2 * np.pi * SWAY_HZ * np.cos(2 * np.pi * SWAY_HZ * t) + pushed

    def place(self, time_s: Array) -> Array:
        """Position (N, 3), m."""
        t = np.asarray(time_s)[:, None]
        run = np.clip(t - 3, 0, 3)
        pushed = self.push_m_s2 * (0.5 * run**2 + 3 * np.clip(t - 6, 0, None))
        swayed = -self.sways * SWAY_M_S * np.cos(2 * np.pi * SWAY_HZ * t) / (2 * np.pi * SWAY_HZ)
        return self.cruise_m_s * t + swayed + pushed

    def mean_velocity(self, first_s: float, second_s: float) -> Array:
        """Mean velocity (3,) between two times."""
        first, second = self.place(np.array([first_s, second_s]))
        return (second - first) / (second_s - first_s)

    def samples(
        self, time_s: Array, *, accelerometer: bool = True, noise: tuple[float, float] = (0.0, 0.0), rng: Any = None
    ) -> GyroSamples:
        """Inertial samples; ``noise`` are densities of gyro and accelerometer."""
        h = 1e-5
        attitude = self.attitude(time_s)
        rate = (self.attitude(time_s - h).inv() * self.attitude(time_s + h)).as_rotvec() / (2 * h)
        force = attitude.inv().apply(self.acceleration(time_s) - GRAVITY_M_S2)
        rate, force = rate + self.gyro_bias_rad_s, force + self.accel_bias_m_s2
        if rng is not None:
            rate = rate + noise[0] / np.sqrt(SAMPLE_S) * rng.normal(size=rate.shape)
            force = force + noise[1] / np.sqrt(SAMPLE_S) * rng.normal(size=force.shape)
        return GyroSamples(time_s=time_s, rate_rad_s=rate, accel_m_s2=force if accelerometer else None)


class Run:
    """Filter and logs, fed pair by pair."""

    def __init__(self, of: Module) -> None:
        self.rotations = RotationLog(of.gyro)
        self.force = ForceSum(self.rotations)
        self.filter = MotionFilter(of, self.rotations, self.force)

    def feed(self, samples: GyroSamples) -> None:
        """Hand samples on."""
        self.rotations.append(samples)
        self.force.add(samples)
        self.filter.add_inertial(samples)

    def still(self, craft: Craft, time_s: float) -> Rotation:
        """Turn level vectors into the local inertial frame as the gyro has it."""
        turned = Rotation.from_matrix(self.rotations.matrices(np.array([time_s]))[0])
        return turned * craft.attitude(np.array([time_s]))[0].inv()

    def pairs(
        self, craft: Craft, duration_s: float, *, frame_s: float = FRAME_S, **keys: Any
    ) -> Iterator[tuple[float, float]]:
        """Feed samples, and give each pair of frames that they reach beyond, predicted."""
        per_frame = round(frame_s / SAMPLE_S)
        for k in range(int(duration_s / frame_s)):
            self.feed(craft.samples((k * per_frame + np.arange(per_frame)) * SAMPLE_S, **keys))
            first_s, second_s = (k - 2) * frame_s, (k - 1) * frame_s
            if k >= 2:
                self.filter.predict(first_s, second_s)
                yield first_s, second_s

    def row(self, craft: Craft, first_s: float, second_s: float, error_m_s: Array, sigma_m_s: float) -> VelocityRow:
        """Give the pair's row with an error (3,), all of which is said to be new."""
        velocity = self.still(craft, 0.5 * (first_s + second_s)).apply(craft.mean_velocity(first_s, second_s))
        none = np.zeros((3, 3))
        return VelocityRow(
            first_s=first_s, second_s=second_s, velocity_m_s=velocity + error_m_s, image_m2_s2=none,
            new_m2_s2=sigma_m_s**2 * np.eye(3), lasting_m2_s2=none,
        )  # fmt: skip
