"""One item of a benchmark: fly it (or open its recording), measure it by each method, sum up the errors.

The flight: forward at a speed that swings by 40 % of its mean at 0.5 Hz, rocking in roll and pitch at 1 Hz, at a steady
height, in a direction and from a place of the floor that the seed draws. The logs begin a second before the first
frame, so that height and tilt have settled. The attitude is logged, with 1 mrad of noise.
"""

from __future__ import annotations

import hashlib
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields
from functools import cache, lru_cache
from pathlib import Path
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow import scene
from flow.budget import Budget, Conditions, Kind, predict
from flow.error_sums import ErrorSums, sum_errors
from flow.estimator import Estimator, FrameResult
from flow.image_noise import texture_of
from flow.measure import measure
from flow.module import Module
from flow.recording import open_recording
from flow.reference import Reference
from flow.rivals import OURS, make_motion
from flow.row import SpeedRow
from flow.series import Truth, read_truth
from flow.video import Frame

Array: TypeAlias = NDArray[np.float64]

ROCKING_HZ = 1.0
"""Frequency of the rocking in roll and pitch."""
SWING = 0.4
"""Part of the speed by which it swings."""
ATTITUDE = scene.AttitudeErrors()
EXPOSURE_S = 0.002
_SWING_HZ = 0.5
_LEAD_S = 1.0
_AHEAD_S = 0.05
_SHOT_SHARE = 0.5


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
class Forecast:
    """What the error budget predicts for a row, one-sigma of one axis, m/s.

    ``scatter`` by random causes, all that a synthetic recording shows; ``forward`` and ``right`` are its two axes;
    ``leftover`` by what the module file may have wrong. ``main_cause`` makes up ``main_share`` of the variance of the
    scatter, ``leftover_cause`` is the largest of the others. ``texture`` is the rms gradient of the picture that the
    prediction is based on, grey levels a pixel.
    """

    scatter_m_s: float
    forward_m_s: float
    right_m_s: float
    main_cause: str
    main_share: float
    leftover_m_s: float
    leftover_cause: str
    texture: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """What one method made of one run; ``key`` is its item's. ``cpu_s`` is the time of the measuring thread."""

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
    """One flight to synthesise and to measure by all methods on the same frames."""

    module: Module
    condition: Condition
    floor_size_m: float | None
    seed: int
    frames: int
    methods: tuple[str, ...]

    @property
    def key(self) -> str:
        """A word that no other work has."""
        parts = [self.module.model_dump_json(), *(repr(getattr(self, f.name)) for f in fields(self)[1:])]
        return _word_for("|".join(parts))

    @property
    def runs(self) -> int:
        """How many rows come of it."""
        return len(self.methods)


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedTrial:
    """The first frames of one recording, to be measured by one method and held against its reference log."""

    folder: str
    module_path: str
    frames: int
    method: str

    @property
    def key(self) -> str:
        """A word that no other work has."""
        return _word_for(repr(self))

    @property
    def runs(self) -> int:
        """How many rows come of it."""
        return 1


Item: TypeAlias = SyntheticTrial | RecordedTrial


def work(item: Item) -> list[Run]:
    """Do one item: a row for each method. Runs in any process; memory is bounded by the frames of one run.

    Raises
    ------
    DataError
        A recording cannot serve.
    """
    return _fly(item) if isinstance(item, SyntheticTrial) else [_replay(item)]


def ground_of(floor: str, size_m: float | None, *, check_only: bool = False) -> scene.Ground | None:
    """Make a floor, the last one kept; ``check_only`` makes none of ours and only sees that a picture can be read.

    Raises
    ------
    DataError
        No such floor.
    """
    return None if check_only and floor in scene.KINDS else _ground(floor, size_m)


@lru_cache(maxsize=1)
def _ground(floor: str, size_m: float | None) -> scene.Ground:
    return scene.make_ground(floor, size_m=size_m)


def _fly(trial: SyntheticTrial) -> list[Run]:
    recording = scene.render(_spec(trial))
    first = int(np.searchsorted(recording.frame_times_s, _LEAD_S))
    frames = list(recording.frames(first, first + trial.frames))
    reference = Reference(recording.truth)
    measured = {method: _timed(_estimate(recording, frames, method)) for method in trial.methods}
    forecast = None
    if OURS in measured:
        forecast = _forecast(trial, frames, [result.row for result in measured[OURS][0]])
    return [
        Run(
            key=trial.key, method=method, seed=trial.seed, frames=len(frames), cpu_s=cpu_s, failure=_failure(results),
            condition=trial.condition, sums=sum_errors([result.row for result in results], reference),
            forecast=forecast if method == OURS else None,
        )
        for method, (results, cpu_s) in measured.items()
    ]  # fmt: skip
