"""One item of a benchmark: fly it (or open its recording), measure it by each method, sum up the errors.

The flight goes forward at a speed that swings by 40 % of its mean at 0.5 Hz, rocking in roll and pitch at 1 Hz, at a
steady height, from a place and in a direction that the seed draws. The logs begin a second before the first frame, so
that the height has settled. The attitude is logged, with 1 mrad of noise.
"""

from __future__ import annotations

import hashlib
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, fields
from functools import lru_cache
from pathlib import Path
from typing import Generic, TypeAlias, TypeVar

import numpy as np
from numpy.typing import NDArray

from flow import scene
from flow.budget import Conditions
from flow.error_sums import ErrorSums, sum_errors
from flow.errors import DataError
from flow.estimator import Estimator, FrameResult
from flow.forecast import Forecast, forecast
from flow.measure import measure
from flow.module import Module
from flow.recording import open_recording
from flow.reference import Reference
from flow.rivals import OURS, make_motion
from flow.row import SpeedRow
from flow.series import AttitudeSamples, GyroSamples, RangeSamples, Truth, read_truth
from flow.tracks import ImageMotion
from flow.video import Frame

Array: TypeAlias = NDArray[np.float64]
S = TypeVar("S", GyroSamples, RangeSamples, AttitudeSamples)

ROCKING_HZ, SWING, SWING_HZ = 1.0, 0.4, 0.5
_LEAD_S = 1.0
_AHEAD_S = 0.05
_TILT_SIGMA_RAD = float(np.radians(0.4))  # what the estimator believes of a log, see LoggedTilt


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
class Run:
    """What one method made of one item, whose ``key`` it carries.

    ``cpu_s`` is the time of the measuring thread, without decoding; ``failure`` the most frequent reason for rows
    without a velocity, empty where there are none.
    """

    key: str
    method: str
    seed: int
    frames: int
    cpu_s: float
    failure: str
    condition: Condition
    sums: ErrorSums
    forecast: Forecast | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SyntheticTrial:
    """One flight to synthesise, and to measure by all methods on the same frames."""

    module: Module
    condition: Condition
    floor_size_m: float | None
    exposure_s: float
    seed: int
    frames: int
    methods: tuple[str, ...]

    @property
    def key(self) -> str:
        """A word that no other item has."""
        return _word_for(self.module.model_dump_json(), *(getattr(self, f.name) for f in fields(self)[1:]))


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedTrial:
    """The first frames of a recording, to be measured by one method and held against the reference log."""

    folder: str
    module_path: str
    frames: int
    methods: tuple[str]

    @property
    def key(self) -> str:
        """A word that no other item has; another one when a file of the recording has changed."""
        files = sorted([*Path(self.folder).iterdir(), Path(self.module_path)])
        stamps = [(path.name, path.stat().st_size, path.stat().st_mtime_ns) for path in files if path.is_file()]
        return _word_for(self, stamps)


Item: TypeAlias = SyntheticTrial | RecordedTrial


def work(item: Item) -> list[Run]:
    """Do one item, in any process: a run for each of its methods, in their order.

    Raises
    ------
    DataError
        A floor or a recording cannot serve.
    """
    return _fly(item) if isinstance(item, SyntheticTrial) else [_replay(item)]


@lru_cache(maxsize=1)
def ground_of(floor: str, size_m: float | None) -> scene.Ground:
    """Make a floor; the last one is kept.

    Raises
    ------
    DataError
        No kind that is known and no picture that can be read, or its width is not given.
    """
    return scene.make_ground(floor, size_m=size_m)


def _fly(trial: SyntheticTrial) -> list[Run]:
    spec = _spec(trial)
    recording = scene.render(spec)
    first = int(np.searchsorted(recording.frame_times_s, _LEAD_S))
    frames = list(recording.frames(first, first + trial.frames))
    reference = Reference(recording.truth)
    runs = []
    for method in trial.methods:
        results, cpu_s = _estimate(recording, frames, method)
        rows = [result.row for result in results]
        expected = forecast(recording, frames, _flown(trial.condition), results) if method == OURS else None
        runs.append(_run(trial, trial.seed, method, trial.condition, rows, cpu_s, reference, expected))
    return runs


def _flown(condition: Condition) -> Conditions:
    """Say the flight in the words of the error budget; what the pictures show comes on top."""
    return Conditions(
        height_m=condition.height_m,
        speed_m_s=condition.speed_m_s * float(np.sqrt(1 + SWING**2 / 2)),  # RMS
        rocking_rad=condition.rocking_rad or 0.0,
        rocking_hz=ROCKING_HZ,
        frame_rate_hz=condition.frame_rate_hz,
        tilt_sigma_rad=_TILT_SIGMA_RAD,
        tilt_noise_rad=scene.AttitudeErrors().noise_rad * np.sqrt(2 / 3),  # two samples interpolated, on average
    )


def _spec(trial: SyntheticTrial) -> scene.SceneSpec:
    condition = trial.condition
    duration_s = _LEAD_S + (trial.frames + 3) / condition.frame_rate_hz + 0.2 + trial.module.camera.readout_s
    return scene.SceneSpec(
        motion=_motion(condition, duration_s, trial.seed),
        ground=ground_of(condition.floor, trial.floor_size_m),
        module=trial.module,
        frame_rate_hz=condition.frame_rate_hz,
        exposure_s=trial.exposure_s,
        noise_levels=condition.noise_levels or 0.0,
        gain=_Light(level=1.0 if condition.light is None else condition.light),
        attitude=scene.AttitudeErrors(),
        seed=trial.seed,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Light(scene.Gain):
    level: float

    def at(self, time_s: float) -> float:
        return self.level


def _motion(condition: Condition, duration_s: float, seed: int) -> scene.Motion:
    rng = np.random.default_rng([seed, 1])
    north_m, east_m = rng.uniform(-50, 50, 2)
    yaw, *phase = rng.uniform(0, 2 * np.pi, 4)
    rocking, swing = condition.rocking_rad or 0.0, 2 * np.pi * SWING_HZ

    def channels(t: Array) -> Array:
        travelled = condition.speed_m_s * (t - SWING / swing * np.cos(swing * t + phase[0]))
        roll, pitch = (rocking * np.sin(2 * np.pi * ROCKING_HZ * t + p) for p in phase[1:])
        still = np.zeros_like(t)
        return np.column_stack(
            [
                north_m + travelled * np.cos(yaw), east_m + travelled * np.sin(yaw), still - condition.height_m,
                roll, pitch, still + yaw,
            ]
        )  # fmt: skip

    return scene.from_function(channels, duration_s)


def _estimate(
    recording: scene.SyntheticRecording, frames: Sequence[Frame], method: str
) -> tuple[list[FrameResult], float]:
    """Rows of all frames, and the time of this thread that they took."""
    module = recording.module
    estimator = Estimator(module, attitude="logged", motion=_motion_of(method, module))
    assert recording.attitude is not None
    gyro, attitude = _Log(recording.gyro), _Log(recording.attitude)
    heights = _Log(recording.range, module.range.time_offset_s)
    ahead_s = module.alignment.time_offset_s + 0.5 * module.camera.readout_s + _AHEAD_S
    results: list[FrameResult] = []
    began = time.thread_time()
    for frame in frames:
        estimator.add_gyro(gyro.until(frame.time_s + ahead_s))
        estimator.add_attitude(attitude.until(frame.time_s + ahead_s))
        estimator.add_range(heights.until(frame.time_s + ahead_s))
        result = estimator.add_frame(frame.time_s, frame.luma)
        if result is not None:
            results.append(result)
    return results, time.thread_time() - began


class _Log(Generic[S]):
    """Hands out a log piece by piece."""

    def __init__(self, samples: S, offset_s: float = 0.0) -> None:
        self._samples: S = samples
        self._offset_s = offset_s
        self._given = 0

    def until(self, time_s: float) -> S:
        begin, self._given = self._given, int(np.searchsorted(self._samples.time_s, time_s - self._offset_s))
        return self._samples.part(slice(begin, self._given))


def _replay(trial: RecordedTrial) -> Run:
    recording = open_recording(trial.folder, trial.module_path)
    if recording.truth_path is None:
        raise DataError("holds no truth.csv; without a reference there is no error to tell", path=trial.folder)
    truth = read_truth(recording.truth_path)
    began, spent = 0.0, 0.0

    def start(_: Frame) -> None:  # the frame is decoded by now
        nonlocal began
        began = time.thread_time()

    (method,) = trial.methods
    rows: list[SpeedRow] = []
    for result in measure(recording, motion=_motion_of(method, recording.module), watch=start):
        spent += time.thread_time() - began
        rows.append(result.row)
        if len(rows) == trial.frames - 1:
            break
    condition = _condition_of(trial, truth, rows)
    return _run(trial, 0, method, condition, rows, spent, Reference(truth), None)


def _condition_of(trial: RecordedTrial, truth: Truth, rows: Sequence[SpeedRow]) -> Condition:
    middle_s = np.array([row.time_s for row in rows])
    inside = (truth.time_s >= middle_s.min()) & (truth.time_s <= middle_s.max())
    if not inside.any():
        raise DataError("truth.csv and the video share no moment; are both on the gyro clock?", path=trial.folder)
    speed = np.hypot(truth.forward_m_s[inside], truth.right_m_s[inside])
    return Condition(
        floor=Path(trial.folder).resolve().name,
        height_m=round(float(np.nanmedian(truth.height_m[inside])), 3),
        speed_m_s=round(float(np.sqrt(np.nanmean(speed**2))), 3),
        light=None,
        noise_levels=None,
        rocking_rad=None,
        frame_rate_hz=round(1 / float(np.median([row.interval_s for row in rows])), 3),
    )


def _run(
    item: Item, seed: int, method: str, condition: Condition, rows: Sequence[SpeedRow], cpu_s: float,
    reference: Reference, expected: Forecast | None,
) -> Run:
    failures = Counter(row.status for row in rows if row.status != "ok")
    return Run(
        key=item.key, method=method, seed=seed, frames=len(rows) + 1, cpu_s=cpu_s,
        failure=failures.most_common(1)[0][0] if failures else "",
        condition=condition, sums=sum_errors(rows, reference), forecast=expected,
    )


def _motion_of(method: str, module: Module) -> ImageMotion | None:
    return make_motion(method, module.camera.width_px, module.camera.height_px)


def _word_for(*parts: object) -> str:
    return hashlib.sha256("|".join(map(repr, parts)).encode()).hexdigest()[:16]
