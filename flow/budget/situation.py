"""A module in flight, in the symbols that the formulas of the error budget use."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.budget.conditions import Conditions
from flow.budget.field import Field, field_of
from flow.budget.height_noise import filtered_height
from flow.budget.image_noise import BORDER_PX, BlockNoise, block_noise, least_gradient
from flow.module import Module
from flow.stages.update import LASTING_SHARE

Array: TypeAlias = NDArray[np.float64]

LAG_ONE = -0.48
"""Correlation of a row's image error with the next: a picture's error enters two rows, signs opposed.

Half, less what leaves the view; measured -0.43 to -0.52 on steady synthetic flights."""

LEAST_OVERLAP = 0.125
"""Share of the blocks that must still be in view in the next picture: three dozen, thrice what the search asks for."""

_LEAST_HEIGHT_M = 0.02
_STEEPEST_RAD = np.radians(25.0)  # of lean and camera together; beyond, the first order in it is 10 % off


class PredictionError(ValueError):
    """Why nothing can be predicted, in words."""


class Situation:
    """Module and conditions in the symbols of :func:`flow.budget.prediction.predict`; pairs are (forward, right).

    Raises
    ------
    PredictionError
        The camera is at the ground, or looks (with the lean) more than 25 degrees away from straight down; too little
        ground stays in view from frame to frame, or motion blur or the floor leave too little texture.
    """

    def __init__(self, module: Module, conditions: Conditions) -> None:
        self.module, self.conditions = module, conditions
        self.interval_s = 1 / conditions.frame_rate_hz
        self.v, self.w, self.yaw = conditions.speed_m_s, conditions.rocking_rate_rad_s, abs(conditions.yaw_rate_rad_s)
        self.arm_m = np.array(module.alignment.camera_position_m)
        self.camera_m = conditions.height_m - float(self.arm_m[2])
        if self.camera_m < _LEAST_HEIGHT_M:
            raise PredictionError("the camera is at the ground")
        self.field = field_of(module)
        self.seen = self.field.spread
        self.m, self.k = self.seen
        lean = self.field.axis_rad + np.array([conditions.pitch_rad, 0.0])
        if np.hypot(*lean) > _STEEPEST_RAD:
            raise PredictionError("the camera looks more than 25 degrees away from straight down")
        self.lean = np.hypot(lean, conditions.rocking_rad / np.sqrt(2))  # rms in pitch and in roll
        self.m_s_per_px = self.camera_m / (self.field.focal_px * self.interval_s)
        self.picture = self._picture()

    def _picture(self) -> BlockNoise:
        conditions, camera = self.conditions, self.module.camera
        size_px = (camera.width_px, camera.height_px)
        shown = in_view(self.module, conditions, self.field)
        if shown < LEAST_OVERLAP:
            raise PredictionError("too little overlap from frame to frame")
        seen_m_s = float(np.hypot(self.v, self.camera_m * self.w))
        blur_px = seen_m_s * conditions.exposure_s / self.camera_m * float(self.field.focal_px[0])
        texture = conditions.texture
        longest = texture.longest_blur_px(least_gradient(size_px, conditions.noise_levels, texture.grain_px))
        if longest == 0 or blur_px > longest:
            raise PredictionError("too little texture")
        return block_noise(
            size_px=size_px,
            noise_levels=conditions.noise_levels,
            texture=texture,
            blur_px=blur_px,
            matched=conditions.matched * shown,
        )

    @property
    def height_noise_m(self) -> float:
        """What range and climb noise leave in the height, m."""
        module, conditions = self.module, self.conditions
        picture = self.picture
        moved = [picture.noise_px[0], picture.blur_px[0], conditions.common_jitter_px]
        # The climb is read from the growth of the picture, of which a place shows as much as it is far from the middle.
        arm_px = np.linalg.norm(np.sqrt(self.seen) * self.field.focal_px)
        climb = np.sqrt(np.sum(np.square(moved))) * self.camera_m / (arm_px * self.interval_s)
        turn = np.hypot(conditions.tilt_sigma_rad, module.alignment.rotation_sigma_rad[1])
        noise, _ = filtered_height(
            module.range,
            range_rate_hz=conditions.range_rate_hz,
            climb_rate_hz=conditions.frame_rate_hz,
            climb_sigma_m_s=float(LASTING_SHARE * climb),
            lean_sigma_m_s=float(self.v * (1 + self.m / (self.m + self.k)) * turn),
        )
        return noise

    def by_rate(self, rate_rad_s: Array) -> Array:
        """Speed error by independent errors of the rate about body x, y, z."""
        reach = (1 + self.seen) * self.camera_m + self.arm_m[2]
        return np.asarray(np.hypot(reach * rate_rad_s[[1, 0]], np.abs(self.arm_m[[1, 0]]) * rate_rad_s[2]))

    def by_tilt(self, *, height: bool) -> Array:
        """Speed error by one radian of tilt error about each level axis; ``height``: the range reading leans with it.

        A lean a in pitch (rms, rocking included) and b in roll::

            pitch error   forward  v a (k (1 - 2 m) / (m + k) - n)      right  v b m (1 - 2 k) / (m + k)
            roll error    forward  v b ((1 - k) - n)                    right  v a (1 - k)

        n is 1 for a narrow beam, whose height goes with the cosine, and 0 for a wide one.
        """
        m, k, (a, b) = self.m, self.k, self.lean
        sensor = self.module.range
        n = float(height and sensor.beam == "narrow")
        offset = (np.array(sensor.position_m) - self.arm_m)[:2] / self.camera_m * float(height)
        forward = [a * (k * (1 - 2 * m) / (m + k) - n), b * (1 - k - n), *offset]
        right = [b * m * (1 - 2 * k) / (m + k), a * (1 - k)]
        return np.asarray(self.v * np.array([np.hypot.reduce(forward), np.hypot.reduce(right)]))


def in_view(module: Module, conditions: Conditions, field: Field | None = None) -> float:
    """Share of the blocks of a picture that the next one still shows; below 0 where it shows other ground."""
    field = field or field_of(module)
    camera_m = conditions.height_m - module.alignment.camera_position_m[2]
    moved_px = abs(conditions.speed_m_s) / conditions.frame_rate_hz / camera_m * float(field.focal_px[0])
    return 1 - moved_px / (field.length_px - BORDER_PX)
