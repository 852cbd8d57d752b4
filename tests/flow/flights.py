"""Flights in memory, and what their measurement must hold.

All are synthetic, so every expected value is exact truth averaged over the row's interval. A row that gives a velocity
may be off by more than four of its own sigmas and 2 cm/s once in 200; so few rows as here never.
"""

from __future__ import annotations

import dataclasses
import functools
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, TypeVar, cast

import numpy as np
from numpy.typing import NDArray

from flow import scene
from flow.accuracy.reference import Reference
from flow.measure import measure
from flow.module import Module
from flow.recording import Recording
from flow.row import LevelVelocity, SpeedRow
from flow.scene.motion import Motion
from flow.series import AttitudeSamples, GyroSamples, RangeSamples, Truth
from flow.video import Frame
from tests.flow.scene import grounds

S = TypeVar("S", GyroSamples, RangeSamples)
Array = NDArray[np.float64]

DURATION_S, FRAME_S = 4.0, 1 / 60
RECOVERY_S = 3.5 * FRAME_S  # a velocity must be back by the third row
HEIGHT_RECOVERY_S = 0.5


def module(**range_keys: Any) -> Module:
    """Describe the preset at half its size, a quarter of the pixels."""
    preset = scene.preset_module("small")
    half = {"width_px": 160, "height_px": 120, "fx_px": 133.14, "fy_px": 133.14, "cx_px": 79.5, "cy_px": 59.5}
    return preset.model_copy(
        update={"camera": preset.camera.model_copy(update=half), "range": preset.range.model_copy(update=range_keys)}
    )


@dataclass(frozen=True, kw_only=True)
class Flight:
    """A recording in memory, as far as :func:`measure` asks for it."""

    module: Module
    frames: Sequence[Frame]
    gyro_log: GyroSamples
    range_log: RangeSamples
    attitude_log: AttitudeSamples | None
    truth: Truth
    gyro_path: Path = field(default=Path("gyro.csv"))

    def gyro(self) -> Iterator[GyroSamples]:
        """Read the gyro log."""
        return iter([self.gyro_log])

    def range(self) -> Iterator[RangeSamples]:
        """Read the range log."""
        return iter([self.range_log])

    def attitude(self) -> Iterator[AttitudeSamples] | None:
        """Read the attitude log."""
        return None if self.attitude_log is None else iter([self.attitude_log])

    def video(self) -> Iterator[Frame]:
        """Give the frames."""
        return iter(self.frames)


def flight(motion: Motion, **keys: Any) -> Flight:
    spec = scene.SceneSpec(**{"motion": motion, "ground": grounds.gravel(), "module": module(), "seed": 1} | keys)
    made = scene.render(spec)
    heard = np.isfinite(made.range.range_m)
    return Flight(
        module=spec.module, frames=list(made.frames()), gyro_log=made.gyro, range_log=part(made.range, heard),
        attitude_log=made.attitude, truth=made.truth,
    )  # fmt: skip


def part(samples: S, kept: NDArray[np.bool_]) -> S:
    columns = {f.name: getattr(samples, f.name) for f in dataclasses.fields(samples)}
    return type(samples)(**{name: None if c is None else c[kept] for name, c in columns.items()})


@functools.cache
def rocking_pass() -> Flight:
    """Forward and to the side over gravel at 1.2 m, rocking by 4.6 degrees RMS."""
    motion = scene.straight(DURATION_S, height_m=1.2, speed_m_s=0.6, heading_rad=0.5)
    rocking = scene.gusts(DURATION_S, seed=3, rock_rad=0.08)
    return flight(motion + rocking, attitude=scene.AttitudeErrors(), exposure_s=0.001)


@functools.cache
def inertial() -> Flight:
    return replace(rocking_pass(), attitude_log=None)


@dataclass(frozen=True)
class Measured:
    """The rows, their errors against exact truth, and their sigmas; NaN where there is none."""

    rows: list[SpeedRow]
    error_m_s: Array
    sigma_m_s: Array
    height_error_m: Array
    height_sigma_m: Array

    @property
    def time_s(self) -> Array:
        """Middle of each row."""
        return np.array([row.time_s for row in self.rows])

    @property
    def status(self) -> list[str]:
        """Word of each row."""
        return [row.status for row in self.rows]


def measured(flown: Flight) -> Measured:
    """Measure; positions are left out: they take half as long again, and nothing of the speed hangs on them."""
    rows = [result.row for result in measure(cast("Recording", flown), positions=False)]
    time_s, interval_s = np.array([[row.time_s, row.interval_s] for row in rows]).T
    known = Reference(flown.truth)
    none = np.full(3, np.nan)
    velocity = [row.velocity.vector_m_s if isinstance(row.velocity, LevelVelocity) else none for row in rows]
    sigma = [row.velocity.sigma_m_s if isinstance(row.velocity, LevelVelocity) else none for row in rows]
    height = np.array([[row.height_m, row.height_sigma_m] for row in rows], float)
    return Measured(
        rows=rows,
        error_m_s=np.array(velocity) - known.mean_velocity_m_s(time_s, interval_s),
        sigma_m_s=np.array(sigma),
        height_error_m=height[:, 0] - known.height_m(time_s),
        height_sigma_m=height[:, 1],
    )


def assert_honest(found: Measured, *, height_blind_s: tuple[float, float] = (0.0, 0.0)) -> None:
    """Nothing that is told is beyond its band, but for the height between a step and the readings that show it."""
    wrong = (np.abs(found.error_m_s) > np.maximum(4 * found.sigma_m_s, 0.02)).any(axis=1)
    assert not wrong.any(), [
        (row.time_s, row.status, np.round(e, 3), np.round(s, 4))
        for row, e, s, w in zip(found.rows, found.error_m_s, found.sigma_m_s, wrong, strict=True)
        if w
    ][:5]
    high = np.abs(found.height_error_m) > np.maximum(4 * found.height_sigma_m, 0.01)
    high &= (found.time_s < height_blind_s[0]) | (found.time_s > height_blind_s[1])
    assert not high.any(), found.time_s[high][:5]


def assert_told(found: Measured, words: str, blind_s: tuple[float, float] = (0.0, 0.0)) -> None:
    """Each row has a velocity, but for those inside a stretch, which may say one of ``words``."""
    silent = [(row.time_s, row.status) for row in found.rows if row.status != "ok"]
    assert all(blind_s[0] <= time_s <= blind_s[1] for time_s, _ in silent), (Counter(found.status), silent)
    assert {word for _, word in silent} <= set(words.split())


def gusty(duration_s: float, height_m: float = 1.2, speed_m_s: float = 0.6, **keys: float) -> Motion:
    steady = scene.straight(duration_s, height_m=height_m, speed_m_s=speed_m_s, **keys)
    return steady + scene.gusts(duration_s, seed=3)
