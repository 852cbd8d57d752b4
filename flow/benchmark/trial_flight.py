"""The flight of a benchmark: synthesised in memory, and measured by any method on the same frames.

It goes forward at a speed that swings by 40 % of its mean at 0.5 Hz, rocking in roll and pitch at 1 Hz, at a steady
height, from a place and in a direction that condition and seed draw, as they draw all noise. The attitude is logged,
with 1 mrad of noise. The logs begin a second before the first frame, and for the first 24 frames every method follows
our own tracks, so that the height has settled (0.4 s at 60 Hz) and a last speed is known: these frames do not count.
"""

from __future__ import annotations

import hashlib
import time
from dataclasses import dataclass
from functools import lru_cache
from typing import Generic, TypeAlias, TypeVar

import numpy as np
from numpy.typing import NDArray

from flow import scene
from flow.budget.conditions import Conditions
from flow.estimator import Estimator, FrameResult
from flow.module import Module
from flow.series import AttitudeSamples, GyroSamples, RangeSamples
from flow.tracks import ImageMotion, LucasKanade, Matches, Picture, Predict

Array: TypeAlias = NDArray[np.float64]
S = TypeVar("S", GyroSamples, RangeSamples, AttitudeSamples)

_ROCKING_HZ, _SWING, _SWING_HZ = 1.0, 0.4, 0.5
_LEAD_S = 1.0
_SETTLING = 24  # frames
_AHEAD_S = 0.05
_TILT_SIGMA_RAD = float(np.radians(0.4))  # what the estimator believes of an attitude log, see flow.tilt.LoggedTilt


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """What a run is flown over and how; None where a recording does not say."""

    floor: str
    height_m: float
    speed_m_s: float
    light: float | None
    noise_levels: float | None
    rocking_rad: float | None
    frame_rate_hz: float


class Flight:
    """A flight in memory, its frames rendered.

    Parameters
    ----------
    module
        The true module.
    condition
        How and over what; None counts as none of it (light: as it is).
    floor_size_m
        Width of a floor that is a picture.
    exposure_s
        How long each row is exposed.
    seed
        Draws place, direction and noise, each condition its own.
    count
        Frames that count.
    """

    def __init__(
        self,
        module: Module,
        condition: Condition,
        *,
        floor_size_m: float | None,
        exposure_s: float,
        seed: int,
        count: int,
    ) -> None:
        self.condition = condition
        drawn = int(hashlib.sha256(repr((condition, seed)).encode()).hexdigest()[:8], 16)
        duration_s = _LEAD_S + (_SETTLING + count + 3) / condition.frame_rate_hz + 0.2 + module.camera.readout_s
        self.spec = scene.SceneSpec(
            motion=_motion(condition, duration_s, drawn),
            ground=ground_of(condition.floor, floor_size_m),
            module=module,
            frame_rate_hz=condition.frame_rate_hz,
            exposure_s=exposure_s,
            noise_levels=condition.noise_levels or 0.0,
            gain=_Light(level=1.0 if condition.light is None else condition.light),
            attitude=scene.AttitudeErrors(),
            seed=drawn,
        )
        self.recording = scene.render(self.spec)
        first = int(np.searchsorted(self.recording.frame_times_s, _LEAD_S))
        self.frames = list(self.recording.frames(first, first + _SETTLING + count))

    def measure(self, motion: ImageMotion | None) -> tuple[list[FrameResult], float]:
        """Measure with a tracker (None: ours).

        Returns
        -------
        The rows of the frames that count, and the seconds of this thread that they took.
        """
        module = self.recording.module
        handover = None if motion is None else _Handover(module, motion)
        estimator = Estimator(module, attitude="logged", motion=handover)
        assert self.recording.attitude is not None
        gyro, attitude = _Log(self.recording.gyro), _Log(self.recording.attitude)
        heights = _Log(self.recording.range, module.range.time_offset_s)
        ahead_s = module.alignment.time_offset_s + 0.5 * module.camera.readout_s + _AHEAD_S
        results: list[FrameResult] = []
        began = 0.0
        for k, frame in enumerate(self.frames):
            if k == _SETTLING:
                began = time.thread_time()
                if handover is not None:
                    handover.settled = True
            estimator.add_gyro(gyro.until(frame.time_s + ahead_s))
            estimator.add_attitude(attitude.until(frame.time_s + ahead_s))
            estimator.add_range(heights.until(frame.time_s + ahead_s))
            result = estimator.add_frame(frame.time_s, frame.luma)
            if result is not None and k >= _SETTLING:
                results.append(result)
        return results, time.thread_time() - began

    def in_words_of_the_budget(self) -> Conditions:
        """Say how it flies as the error budget understands it; what the pictures show comes on top."""
        return Conditions(
            height_m=self.condition.height_m,
            speed_m_s=self.condition.speed_m_s * float(np.sqrt(1 + _SWING**2 / 2)),  # RMS
            rocking_rad=self.condition.rocking_rad or 0.0,
            rocking_hz=_ROCKING_HZ,
            frame_rate_hz=self.condition.frame_rate_hz,
            exposure_s=self.spec.exposure_s,
            range_rate_hz=self.spec.range_errors.rate_hz,
            tilt_sigma_rad=_TILT_SIGMA_RAD,
            tilt_noise_rad=scene.AttitudeErrors().noise_rad * float(np.sqrt(2 / 3)),  # between two samples, on average
        )


@lru_cache(maxsize=1)
def ground_of(floor: str, size_m: float | None) -> scene.Ground:
    """Make a floor; the last one is kept.

    Raises
    ------
    DataError
        No kind that is known and no picture that can be read, or its width is not given.
    """
    return scene.make_ground(floor, size_m=size_m)


def _motion(condition: Condition, duration_s: float, seed: int) -> scene.Motion:
    rng = np.random.default_rng([seed, 1])
    north_m, east_m = rng.uniform(-50, 50, 2)
    yaw, *phase = rng.uniform(0, 2 * np.pi, 4)
    rocking, swing = condition.rocking_rad or 0.0, 2 * np.pi * _SWING_HZ

    def channels(t: Array) -> Array:
        travelled = condition.speed_m_s * (t - _SWING / swing * np.cos(swing * t + phase[0]))
        roll, pitch = (rocking * np.sin(2 * np.pi * _ROCKING_HZ * t + p) for p in phase[1:])
        still = np.zeros_like(t)
        return np.column_stack(
            [
                north_m + travelled * np.cos(yaw), east_m + travelled * np.sin(yaw), still - condition.height_m,
                roll, pitch, still + yaw,
            ]
        )  # fmt: skip

    return scene.from_function(channels, duration_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Light(scene.Gain):
    level: float

    def at(self, time_s: float) -> float:
        return self.level


class _Handover:
    """Follows our tracker until ``settled``, then another."""

    def __init__(self, module: Module, then: ImageMotion) -> None:
        self._first: ImageMotion = LucasKanade(module.camera.width_px, module.camera.height_px)
        self._then = then
        self.settled = False

    def match(self, first: Picture, second: Picture, predict: Predict, *, far: bool) -> Matches:
        return (self._then if self.settled else self._first).match(first, second, predict, far=far)


class _Log(Generic[S]):
    """Hands out a log piece by piece."""

    def __init__(self, samples: S, offset_s: float = 0.0) -> None:
        self._samples: S = samples
        self._offset_s = offset_s
        self._given = 0

    def until(self, time_s: float) -> S:
        begin, self._given = self._given, int(np.searchsorted(self._samples.time_s, time_s - self._offset_s))
        return self._samples.part(slice(begin, self._given))
