"""The flight of a benchmark: synthesised in memory, and measured by any method on the same frames.

It goes forward at a speed that swings by 40 % of its mean at 0.5 Hz, rocking in roll and pitch at 1 Hz, at a steady
height, from a place and in a direction that condition and seed draw, as they draw all noise. The attitude is logged,
with 1 mrad of noise. The logs begin a second before the first frame, and for the first 24 frames every flight is
measured our way, so that the height has settled (0.4 s at 60 Hz) and a last speed is known: these frames do not count.
"""

from __future__ import annotations

import hashlib
import time
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Generic, TypeAlias, TypeVar

import numpy as np
from numpy.typing import NDArray

from flow import scene
from flow.benchmark.picture_bound import velocity_bound
from flow.budget.conditions import Conditions
from flow.camera import Lens
from flow.estimator import Estimator
from flow.module import Module
from flow.pair.geometry import PairView, Plane
from flow.pair.search import Search
from flow.registration.blocks import BlockMatcher
from flow.result import FrameResult
from flow.rotation import RotationLog
from flow.series import AttitudeSamples, GyroSamples, RangeSamples
from flow.tilt import Tilt
from flow.tracks import ImageMotion, LucasKanade

Array: TypeAlias = NDArray[np.float64]
S = TypeVar("S", GyroSamples, RangeSamples, AttitudeSamples)

_ROCKING_HZ, _SWING, _SWING_HZ = 1.0, 0.4, 0.5
_LEAD_S = 1.0
_SETTLING, _SETTLING_STEADY = 24, 12  # frames; how the matches scatter is learnt in a dozen, the height takes longer
_AHEAD_S = 0.05
_TILT_SIGMA_RAD = float(np.radians(0.4))  # what the estimator believes of an attitude log, see flow.tilt.LoggedTilt
_MID_GREY, _ROUNDING = 128.0, 1 / 12
_FINE_HZ = 500.0  # of logs without errors: straight lines between samples are then exact to 0.01 mrad


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """Rows of the frames that count, and the seconds of this thread that they took.

    Of these, ``motion_s`` went into the image motion and ``position_s`` into the position, which other methods do not keep.
    """

    results: list[FrameResult]
    cpu_s: float
    motion_s: float
    position_s: float


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
    steady
        At its mean speed throughout. For errors of the picture alone: rows that are exposed one after the other see a
        speed that changes at different values of it (0.6 m/s^2 in 14 ms: 2 thousandths of a pixel at 0.5 m).
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
        steady: bool = False,
    ) -> None:
        self.condition = condition
        self._settling = _SETTLING_STEADY if steady else _SETTLING
        drawn = int(hashlib.sha256(repr((condition, seed)).encode()).hexdigest()[:8], 16)
        duration_s = _LEAD_S + (self._settling + count + 3) / condition.frame_rate_hz + 0.2 + module.camera.readout_s
        self.spec = scene.SceneSpec(
            motion=_motion(condition, duration_s, drawn, 0.0 if steady else _SWING),
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
        self.frames = list(self.recording.frames(first, first + self._settling + count))
        self._exact: scene.SyntheticRecording | None = None

    def measure(self, motion: ImageMotion | None, *, exact: bool = False) -> Measured:
        """Measure with what finds the image motion (None: ours).

        Parameters
        ----------
        motion
            Takes over once the flight has settled.
        exact
            With logs of gyro, attitude and range that have no errors: what is left is the picture's.
        """
        recording = self._without_errors() if exact else self.recording
        module = recording.module
        estimator = Estimator(module, attitude="logged", motion=motion)
        state = estimator.state
        search, keeper = state.search, state.positions
        motion_time = _Stopwatch(search, "find")
        position_time = None if keeper is None else _Stopwatch(keeper, "follow")
        if motion is not None:
            size_px = module.camera.width_px, module.camera.height_px
            blocks = BlockMatcher(*size_px)
            state.search = Search(LucasKanade(*size_px), blocks, state.focal_px, blocks.thinned())
        assert recording.attitude is not None
        gyro, attitude = _Log(recording.gyro), _Log(recording.attitude)
        heights = _Log(recording.range, module.range.time_offset_s)
        ahead_s = module.alignment.time_offset_s + 0.5 * module.camera.readout_s + _AHEAD_S
        results: list[FrameResult] = []
        began = 0.0
        for k, frame in enumerate(self.frames):
            if k == self._settling:
                began, motion_time.spent_s, state.search = time.thread_time(), 0.0, search
                if position_time is not None:
                    position_time.spent_s = 0.0
            estimator.add_gyro(gyro.until(frame.time_s + ahead_s))
            estimator.add_attitude(attitude.until(frame.time_s + ahead_s))
            estimator.add_range(heights.until(frame.time_s + ahead_s))
            result = estimator.add_frame(frame.time_s, frame.luma)
            if result is not None and k >= self._settling:
                results.append(result)
        return Measured(
            results=results,
            cpu_s=time.thread_time() - began,
            motion_s=motion_time.spent_s,
            position_s=0.0 if position_time is None else position_time.spent_s,
        )

    def bound_m2_s2(self, share: float) -> Array:
        """Cramer-Rao bound on the variance of a row, forward and right (2,), a share of the way through the frames."""
        exact, motion = self._without_errors(), self.spec.motion
        module, mounting = exact.module, exact.module.alignment.R_body_camera.as_matrix()
        k = self._settling + round(share * (len(self.frames) - self._settling - 2))
        first_s, second_s = (self.frames[at].time_s + module.alignment.time_offset_s for at in (k, k + 1))
        middle_s = np.array([0.5 * (first_s + second_s) - self.spec.clock_s])
        turn = motion.pose(middle_s)[1].as_matrix()[0]
        above_m = -float(motion.pose(middle_s)[0][0, 2]) - float(turn[2] @ module.alignment.camera_position_m)
        log, times = RotationLog(module.gyro), exact.gyro.time_s
        near = np.searchsorted(times, [first_s - _AHEAD_S, second_s + _AHEAD_S])
        log.append(exact.gyro.part(slice(*near)))
        lens, plane = Lens(module.camera), Plane(down=turn[2] @ mounting, distance_m=above_m)
        view = PairView(lens, module, log, first_s, second_s, plane)
        clean = self.recording.picture(self.frames[k].index)
        by_light = 1 - self.spec.shot_share + self.spec.shot_share * np.maximum(clean, 0) / _MID_GREY
        variance = np.square(self.spec.noise_levels) * by_light + _ROUNDING
        velocity = motion.velocity(middle_s)[0] @ turn @ mounting
        bound = velocity_bound(view, clean, variance, velocity, self.px_per_m_s)
        R_level_camera = Tilt(down_body=turn[2], sigma_rad=0.0).R_level_body @ mounting
        return np.asarray((R_level_camera @ bound @ R_level_camera.T).diagonal()[:2])

    @property
    def px_per_m_s(self) -> float:
        """How far 1 m/s moves the middle of the picture from frame to frame."""
        camera, height_m = self.spec.module.camera, self.condition.height_m
        above_m = height_m - self.spec.module.alignment.camera_position_m[2]
        return 0.5 * (camera.fx_px + camera.fy_px) / (self.condition.frame_rate_hz * above_m)

    def _without_errors(self) -> scene.SyntheticRecording:
        if self._exact is None:
            module = self.spec.module
            gyro, sensor = module.gyro, module.range
            quiet = module.model_copy(
                update={
                    "gyro": gyro.model_copy(update={"noise_rad_s_rthz": 0.0}),
                    "range": sensor.model_copy(update={"noise_m": 0.0}),
                }
            )
            spec = replace(
                self.spec,
                module=quiet,
                imu=scene.ImuErrors(rate_hz=_FINE_HZ),
                range_errors=scene.RangeErrors(rate_hz=_FINE_HZ),
                attitude=scene.AttitudeErrors(rate_hz=_FINE_HZ, noise_rad=0.0),
            )
            self._exact = scene.render(spec)
        return self._exact

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


def _motion(condition: Condition, duration_s: float, seed: int, share: float) -> scene.Motion:
    rng = np.random.default_rng([seed, 1])
    north_m, east_m = rng.uniform(-50, 50, 2)
    yaw, *phase = rng.uniform(0, 2 * np.pi, 4)
    rocking, swing = condition.rocking_rad or 0.0, 2 * np.pi * _SWING_HZ

    def channels(t: Array) -> Array:
        travelled = condition.speed_m_s * (t - share / swing * np.cos(swing * t + phase[0]))
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


class _Stopwatch:
    """Keeps the seconds that this thread spends in a method of an object."""

    def __init__(self, owner: object, name: str) -> None:
        self._call = getattr(owner, name)
        self.spent_s = 0.0
        setattr(owner, name, self)

    def __call__(self, *given: object, **named: object) -> object:
        began = time.thread_time()
        try:
            return self._call(*given, **named)
        finally:
            self.spent_s += time.thread_time() - began


class _Log(Generic[S]):
    """Hands out a log piece by piece."""

    def __init__(self, samples: S, offset_s: float = 0.0) -> None:
        self._samples: S = samples
        self._offset_s = offset_s
        self._given = 0

    def until(self, time_s: float) -> S:
        begin, self._given = self._given, int(np.searchsorted(self._samples.time_s, time_s - self._offset_s))
        return self._samples.part(slice(begin, self._given))
