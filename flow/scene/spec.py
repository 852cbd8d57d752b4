"""Everything that makes a synthetic recording what it is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from flow.module import Module
from flow.scene.ground import Ground
from flow.scene.modules import preset_module
from flow.scene.motion import Motion
from flow.scene.patch import Patch
from flow.scene.sensors import AttitudeErrors, ImuErrors, RangeErrors


@dataclass(frozen=True, slots=True, kw_only=True)
class Gain:
    """Slow change of brightness, as by a passing cloud: 1 + swing * sin(2 pi t / period)."""

    swing: float = 0.0
    period_s: float = 4.0

    def at(self, time_s: float) -> float:
        """Factor on the light at a time of the motion."""
        return 1 + self.swing * float(np.sin(2 * np.pi * time_s / self.period_s))


@dataclass(frozen=True, slots=True, kw_only=True)
class SceneSpec:
    """One synthetic recording; the same spec gives the same recording, byte for byte on one machine.

    Parameters
    ----------
    motion
        What the body does; the recording lasts as long.
    ground, ground_size_m
        A kind that :func:`flow.scene.make_ground` knows, the path of a picture and its width, or a ground.
    module
        The true module: the lens that renders, the offsets and biases that the logs carry.
    frame_rate_hz, frame_jitter_s
        Nominal rate, and one-sigma of each frame's own time around it.
    exposure_s
        How long each row is exposed.
    noise_levels
        One-sigma of the picture noise at mid grey (128), grey levels.
    shot_share
        Share of the noise variance at mid grey that grows with the light (photons); the rest is read noise.
    blur_px
        One-sigma of the lens blur, px; below 0.6 the pixels themselves alias, as behind a sharp lens.
    vignetting
        Share of the light lost in the corners.
    gain
        Slow change of brightness.
    patches
        Moving things and table tops on the ground.
    imu, range_errors, attitude
        Sensors; without ``attitude`` there is no attitude log.
    seed
        Seed of ground, noise and sensor errors.
    oversampling
        Rays a pixel along each axis (3 or 4).
    """

    motion: Motion
    ground: str | Ground = "gravel"
    ground_size_m: float | None = None
    module: Module = field(default_factory=preset_module)
    frame_rate_hz: float = 60.0
    frame_jitter_s: float = 0.0
    exposure_s: float = 0.002
    noise_levels: float = 1.5
    shot_share: float = 0.5
    blur_px: float = 0.75
    vignetting: float = 0.15
    gain: Gain = field(default_factory=Gain)
    patches: Sequence[Patch] = ()
    imu: ImuErrors = field(default_factory=ImuErrors)
    range_errors: RangeErrors = field(default_factory=RangeErrors)
    attitude: AttitudeErrors | None = None
    seed: int = 0
    oversampling: int = 3

    def rng(self, stream: int, index: int = 0) -> np.random.Generator:
        """Give the generator of one of the recording's independent streams of random numbers."""
        return np.random.default_rng([self.seed, stream, index])

    @property
    def clock_s(self) -> float:
        """Gyro clock minus time of the motion; not 0 only where the camera's clock would else be negative."""
        offset = self.module.alignment.time_offset_s
        return 0.0 if -1 <= offset <= 0.2 else float(np.floor(offset))

    def frame_times_s(self) -> NDArray[np.float64]:
        """Frame times on the camera's clock, whole microseconds; every row is exposed within the logs."""
        spare = 0.05 + self.exposure_s / 2 + self.module.camera.readout_s / 2
        # The camera's clock starts at 0 or later: containers hold no negative times.
        begin = max(spare + self.clock_s - self.module.alignment.time_offset_s, 0.0)
        end = self.motion.duration_s - spare + self.clock_s - self.module.alignment.time_offset_s
        nominal = begin + np.arange(int(np.floor((end - begin) * self.frame_rate_hz + 1e-6)) + 1) / self.frame_rate_hz
        jitter = self.rng(1).standard_normal(len(nominal)) * self.frame_jitter_s
        # A frame never comes before the one ahead of it, nor outside the logs.
        jitter = np.clip(jitter, -0.4 / self.frame_rate_hz, 0.4 / self.frame_rate_hz)
        return np.asarray(np.round(np.clip(nominal + jitter, begin, end), 6), np.float64)
