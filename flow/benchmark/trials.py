"""One item of a benchmark: fly it (or open its recording), measure it by each method, sum up the errors."""

from __future__ import annotations

import hashlib
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.accuracy.reference import Reference
from flow.benchmark.error_sums import ErrorSums, ImageSums, sum_errors, sum_image_errors
from flow.benchmark.forecast import Forecast, forecast
from flow.benchmark.rivals import OURS, make_motion
from flow.benchmark.trial_flight import Condition, Flight
from flow.errors import DataError
from flow.measure import measure
from flow.module import Module
from flow.recording import open_recording
from flow.row import SpeedRow
from flow.series import Truth, read_truth
from flow.tracks import ImageMotion
from flow.video import Frame

Array: TypeAlias = NDArray[np.float64]

_BOUND_AT = (0.0, 0.5)  # shares of a flight where the bound is taken: it changes with the ground in view, by little


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """What one method made of one item, whose ``key`` it carries.

    ``cpu_s`` is the time of the measuring thread, without decoding, ``motion_s`` what of it finding the image motion
    took, and ``position_s`` keeping the position (None for a recording); ``failure`` the most frequent reason for rows
    without a velocity, empty where there are none; ``image`` the errors of the picture alone, where they were looked at.
    """

    key: str
    method: str
    seed: int
    frames: int
    cpu_s: float
    motion_s: float | None
    position_s: float | None
    failure: str
    condition: Condition
    sums: ErrorSums
    image: ImageSums | None
    forecast: Forecast | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SyntheticTrial:
    """One flight to synthesise, and to measure by all methods on the same frames.

    ``image_frames`` more are flown steadily and measured with logs that have no errors.
    """

    module: Module
    condition: Condition
    floor_size_m: float | None
    exposure_s: float
    seed: int
    frames: int
    image_frames: int
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


def _fly(trial: SyntheticTrial) -> list[Run]:
    flight = _flight(trial, trial.frames)
    reference, images, runs = Reference(flight.recording.truth), _image_errors(trial), []
    for method in trial.methods:
        found = flight.measure(_motion_of(method, trial.module))
        rows = [result.row for result in found.results]
        runs.append(
            Run(
                key=trial.key,
                method=method,
                seed=trial.seed,
                frames=trial.frames,
                cpu_s=found.cpu_s,
                motion_s=found.motion_s,
                position_s=found.position_s,
                failure=_most_frequent_failure(rows),
                condition=trial.condition,
                sums=sum_errors(rows, reference),
                image=images.get(method),
                forecast=forecast(flight, rows) if method == OURS else None,
            )
        )
    return runs


def _image_errors(trial: SyntheticTrial) -> dict[str, ImageSums]:
    """Fly steadily with logs that have no errors: what is left is the picture's; empty where that is not asked for."""
    if not trial.image_frames:
        return {}
    flight = _flight(trial, trial.image_frames, steady=True)
    reference = Reference(flight.recording.truth)
    bound = np.mean([flight.bound_m2_s2(share) for share in _BOUND_AT], axis=0)
    found = {}
    for method in trial.methods:
        results = flight.measure(_motion_of(method, trial.module), exact=True).results
        sums = sum_errors([result.row for result in results], reference)
        found[method] = sum_image_errors(sums, flight.px_per_m_s, bound)
    return found


def _flight(trial: SyntheticTrial, count: int, *, steady: bool = False) -> Flight:
    return Flight(
        trial.module, trial.condition, floor_size_m=trial.floor_size_m, exposure_s=trial.exposure_s, seed=trial.seed,
        count=count, steady=steady,
    )  # fmt: skip


def _replay(trial: RecordedTrial) -> Run:
    recording = open_recording(trial.folder, trial.module_path)
    if recording.truth_path is None:
        raise DataError("holds no truth.csv; an error needs a reference", path=trial.folder)
    truth = read_truth(recording.truth_path)
    began, spent = 0.0, 0.0

    def start(_: Frame) -> None:  # the frame is decoded by now
        nonlocal began
        began = time.thread_time()

    (method,) = trial.methods
    rows: list[SpeedRow] = []
    for result in measure(recording, motion=_motion_of(method, recording.module), watch=start, first_pass=False):
        spent += time.thread_time() - began
        rows.append(result.row)
        if len(rows) == trial.frames - 1:
            break
    return Run(
        key=trial.key,
        method=method,
        seed=0,
        frames=trial.frames,
        cpu_s=spent,
        motion_s=None,
        position_s=None,
        failure=_most_frequent_failure(rows),
        condition=_condition_of(trial, truth, rows),
        sums=sum_errors(rows, Reference(truth)),
        image=None,
        forecast=None,
    )


def _condition_of(trial: RecordedTrial, truth: Truth, rows: Sequence[SpeedRow]) -> Condition:
    middle_s = np.array([row.time_s for row in rows])
    inside = (truth.time_s >= middle_s.min()) & (truth.time_s <= middle_s.max())
    if not inside.any():
        raise DataError("truth.csv and the video share no moment; are both on the gyro clock?", path=trial.folder)
    speed = np.hypot(truth.forward_m_s[inside], truth.right_m_s[inside])
    return Condition(
        floor=trial.folder,
        height_m=round(float(np.nanmedian(truth.height_m[inside])), 3),
        speed_m_s=round(float(np.sqrt(np.nanmean(speed**2))), 3),
        light=None,
        noise_levels=None,
        rocking_rad=None,
        frame_rate_hz=round(1 / float(np.median([row.interval_s for row in rows])), 3),
    )


def _most_frequent_failure(rows: Sequence[SpeedRow]) -> str:
    failures = Counter(row.status for row in rows if row.status != "ok")
    return failures.most_common(1)[0][0] if failures else ""


def _motion_of(method: str, module: Module) -> ImageMotion | None:
    return make_motion(method, module.camera.width_px, module.camera.height_px)


def _word_for(*parts: object) -> str:
    return hashlib.sha256("|".join(map(repr, parts)).encode()).hexdigest()[:16]
