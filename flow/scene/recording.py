"""A synthetic recording in memory: frames on demand, sensor logs and exact truth."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flow.errors import DataError
from flow.module import Module
from flow.scene.casting import CameraPath
from flow.scene.ground import Ground, make_ground
from flow.scene.renderer import Renderer
from flow.scene.sensors import sense_attitude, sense_range, sense_turn
from flow.scene.spec import SceneSpec
from flow.series import AttitudeSamples, GyroSamples, RangeSamples, Truth
from flow.video import Frame

_TRUTH_HZ = 200.0
_MID_GREY = 128.0
_CLEARANCE_M = 0.08
_NOISE, _GYRO, _RANGE, _ATTITUDE = 2, 3, 4, 5  # streams of random numbers


@dataclass(frozen=True, slots=True, kw_only=True)
class SyntheticRecording:
    """What :func:`render` gives.

    ``frame_times_s`` is on the camera's clock, the logs on their own; ``truth`` (gyro clock) holds 200 rows a
    second and one at each frame time. Frames are rendered as they are asked for.
    """

    spec: SceneSpec
    module: Module
    frame_times_s: NDArray[np.float64]
    gyro: GyroSamples
    range: RangeSamples
    attitude: AttitudeSamples | None
    truth: Truth
    _renderer: Renderer
    _path: CameraPath

    def __len__(self) -> int:
        """Give the number of frames."""
        return len(self.frame_times_s)

    def frames(self, start: int = 0, stop: int | None = None) -> Iterator[Frame]:
        """Render the frames from ``start`` up to ``stop``; any order of asking gives the same pictures."""
        for index in range(*slice(start, stop).indices(len(self))):
            yield self.frame(index)

    def frame(self, index: int) -> Frame:
        """Render one frame."""
        time_s = float(self.frame_times_s[index])
        rng = self.spec.rng(_NOISE, index)
        luma = digitised(self.picture(index), self.spec.noise_levels, self.spec.shot_share, rng)
        luma.flags.writeable = False
        return Frame(index=index, time_s=time_s, luma=luma, exposure_s=self.spec.exposure_s)

    def picture(self, index: int) -> NDArray[np.float32]:
        """Render one frame without noise and rounding, grey levels."""
        time_s = float(self.frame_times_s[index]) + self.module.alignment.time_offset_s - self.spec.clock_s
        return self._renderer.picture(self._path, time_s) * np.float32(self.spec.gain.at(time_s))

    def truth_at(self, gyro_time_s: NDArray[np.float64]) -> Truth:
        """Exact truth at any gyro times within the recording."""
        return _truth(self.spec, np.asarray(gyro_time_s, float))


def render(spec: SceneSpec) -> SyntheticRecording:
    """Make a recording in memory.

    Raises
    ------
    DataError
        The ground is a picture that cannot be read, or the motion comes too close to the ground.
    """
    _check_clearance(spec)
    ground = spec.ground
    if not isinstance(ground, Ground):
        ground = make_ground(ground, seed=spec.seed, size_m=spec.ground_size_m)
    module, motion = spec.module, spec.motion
    frame_times = spec.frame_times_s()
    span = (0.0, motion.duration_s)
    range_clock = spec.clock_s - module.range.time_offset_s
    at_frames = frame_times + module.alignment.time_offset_s
    dense = spec.clock_s + np.arange(int(np.floor(motion.duration_s * _TRUTH_HZ)) + 1) / _TRUTH_HZ
    return SyntheticRecording(
        spec=spec,
        module=module,
        frame_times_s=frame_times,
        gyro=sense_turn(motion, span, spec.clock_s, module.gyro, spec.imu, spec.rng(_GYRO)),
        range=sense_range(motion, span, range_clock, module.range, spec.range_errors, spec.patches, spec.rng(_RANGE)),
        attitude=None
        if spec.attitude is None
        else sense_attitude(motion, span, spec.clock_s, spec.attitude, spec.rng(_ATTITUDE)),
        truth=_truth(spec, np.unique(np.round(np.concatenate([dense, at_frames]), 9))),
        _renderer=Renderer(
            module.camera,
            ground,
            exposure_s=spec.exposure_s,
            blur_px=spec.blur_px,
            vignetting=spec.vignetting,
            patches=spec.patches,
            oversampling=spec.oversampling,
        ),
        _path=CameraPath(motion, module.alignment),
    )


def digitised(
    picture: NDArray[np.float32], noise_levels: float, shot_share: float, rng: np.random.Generator
) -> NDArray[np.uint8]:
    """Picture with photon and read noise, rounded to 8 bits and clipped.

    Parameters
    ----------
    picture
        Noise-free grey levels.
    noise_levels
        One-sigma at mid grey (128).
    shot_share
        Share of the variance at mid grey that is in proportion to the light.
    rng
        Source of the noise.
    """
    if noise_levels > 0:
        light = np.maximum(picture, 0) * np.float32(shot_share / _MID_GREY) + np.float32(1 - shot_share)
        noise = rng.standard_normal(picture.shape, dtype=np.float32)
        picture = picture + noise * np.float32(noise_levels) * np.sqrt(light)
    return np.clip(np.rint(picture), 0, 255).astype(np.uint8)


def _check_clearance(spec: SceneSpec) -> None:
    times = np.arange(0, spec.motion.duration_s, 0.02)
    tallest = max((patch.height_m for patch in spec.patches), default=0.0)
    clear = -float(spec.motion.pose(times)[0][:, 2].max()) - tallest
    if clear < _CLEARANCE_M:
        raise DataError(f"the craft comes down to {clear:.2f} m above what is below; start it higher", key="height")


def _truth(spec: SceneSpec, gyro_time_s: NDArray[np.float64]) -> Truth:
    t = gyro_time_s - spec.clock_s
    velocity = spec.motion.level_velocity(t)
    position, _ = spec.motion.pose(t)
    height = -position[:, 2]
    for patch in spec.patches:
        height = np.where(patch.covers(position[:, :2], t), -position[:, 2] - patch.height_m, height)
    return Truth(
        time_s=gyro_time_s,
        forward_m_s=velocity[:, 0],
        right_m_s=velocity[:, 1],
        down_m_s=velocity[:, 2],
        height_m=height,
    )
