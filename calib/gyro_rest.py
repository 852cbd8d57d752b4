"""Is this log even and at rest? A noise figure from any other log would be a confident wrong number."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calib.allan import Array
from flow.disk.table import read_table, time_steps
from flow.errors import DataError
from flow.wording import counted

SHORTEST_S = 60.0
"""A log at rest must last this long: 30 independent spans of 2 s, over which the bias is read to a few per
cent."""

_GYRO_KEYS = tuple(f"gyro_{axis}_rad_s" for axis in "xyz")
_ACCEL_KEYS = tuple(f"accel_{axis}_m_s2" for axis in "xyz")
_LOWEST_RATE_HZ = 10.0
_GAP_INTERVALS = 2.5
_LOST_SHARE = 1e-3
_JITTER_SHARE = 0.2
_WINDOW_S = 1.0
_STEP_SIGMA = 8.0  # a Gaussian log of a day has no such step by chance
_GYRO_STEP_RAD_S = 2e-4  # 0.01 deg/s: less than any hand, more than rounding
_ACCEL_STEP_M_S2 = 0.05  # 0.3 degrees of tilt
_SHAKEN_RATIO = 1.6
_STUCK_SAMPLES = 100
# Of the sensor's step, one standard deviation: above, rounding acts like noise (Widrow 1956)
_LEAST_STEPS = 0.45


@dataclass(frozen=True, slots=True, kw_only=True)
class GyroLog:
    """A whole gyro log: times (n,), rates and specific force (n, 3) in body axes, file lines."""

    path: Path
    time_s: Array
    rate_rad_s: Array
    accel_m_s2: Array | None
    lines: NDArray[np.int64]

    @property
    def duration_s(self) -> float:
        """From the first sample to the last."""
        return float(self.time_s[-1] - self.time_s[0])


def read_log(path: str | os.PathLike[str]) -> GyroLog:
    """Read a whole ``gyro.csv``.

    Raises
    ------
    DataError
        As :func:`flow.disk.table.read_table`; an empty gyro cell; times that do not increase; no sample at all.
    """
    target, last = Path(path), None
    tables = []
    for table in read_table(target, ("time_s", *_GYRO_KEYS), _ACCEL_KEYS):
        last = time_steps(table, last)
        for key in _GYRO_KEYS:
            table.refuse(np.isnan(table.columns[key]), key, lambda _: "empty; an Allan deviation needs an unbroken log")
        tables.append(table)
    if not sum(len(table.lines) for table in tables):
        raise DataError("holds no sample", path=target)
    columns = {key: np.concatenate([table.columns[key] for table in tables]) for key in tables[0].columns}
    accel = np.column_stack([columns[key] for key in _ACCEL_KEYS]) if set(_ACCEL_KEYS) <= set(columns) else None
    return GyroLog(
        path=target,
        time_s=columns["time_s"],
        rate_rad_s=np.column_stack([columns[key] for key in _GYRO_KEYS]),
        accel_m_s2=None if accel is None or np.isnan(accel).any() else accel,
        lines=np.concatenate([table.lines for table in tables]),
    )


def check_sampling(log: GyroLog) -> float:
    """Give the sampling interval, s, of a log that is long and even enough.

    Raises
    ------
    DataError
        Too short, too slow, a gap (says where), too many lost samples, an uneven rate.
    """
    if len(log.time_s) < 2 or log.duration_s < SHORTEST_S:
        problem = f"{log.duration_s:.1f} s is too short; log at least {SHORTEST_S:.0f} s at rest, better 10 minutes"
        raise DataError(problem, path=log.path)
    steps = np.diff(log.time_s)
    usual = float(np.median(steps))
    if usual * _LOWEST_RATE_HZ > 1 + 1e-6:
        problem = (
            f"a rate of {1 / usual:.3g} Hz is too low to estimate the noise; log at {_LOWEST_RATE_HZ:.0f} Hz or more"
        )
        raise DataError(problem, path=log.path, key="time_s")
    widest = int(steps.argmax())
    if steps[widest] > _GAP_INTERVALS * usual:
        problem = (
            f"{steps[widest]:.3g} s without a sample after {log.time_s[widest]:.3f} s, where {usual:.3g} s"
            " is usual;"
            " an Allan deviation needs an unbroken log"
        )
        raise DataError(problem, path=log.path, line=int(log.lines[widest + 1]), key="time_s")
    interval_s = log.duration_s / len(steps)
    lost = interval_s / usual - 1
    if (steps > 1.5 * usual).mean() > _LOST_SHARE and lost > _LOST_SHARE:
        problem = f"{lost:.1%} of the samples are missing; log every sample, for example to faster storage"
        raise DataError(problem, path=log.path, key="time_s")
    jitter = float(np.std(steps)) / usual
    if jitter > _JITTER_SHARE:
        problem = (
            f"uneven sampling: the interval of {usual:.3g} s varies by {jitter:.0%};"
            " log the sensor's own sample times, not those of arrival"
        )
        raise DataError(problem, path=log.path, key="time_s")
    return interval_s


def check_rest(log: GyroLog, interval_s: float) -> None:
    """Check that the module lay still and that the sensor lives.

    Raises
    ------
    DataError
        A constant, stuck or coarsely rounded axis; a movement: says when and in which row.
    """
    size = max(4, round(_WINDOW_S / interval_s))
    for k, key in enumerate(_GYRO_KEYS):
        _check_resolution(log.path, key, log.rate_rad_s[:, k])
        _check_alive(log, log.rate_rad_s[:, k], key, max(size, _STUCK_SAMPLES))
    for k, key in enumerate(_GYRO_KEYS):
        _check_still(log, log.rate_rad_s[:, k], key, size, _GYRO_STEP_RAD_S, "rad/s")
    if log.accel_m_s2 is not None:
        for k, key in enumerate(_ACCEL_KEYS):
            _check_still(log, log.accel_m_s2[:, k], key, size, _ACCEL_STEP_M_S2, "m/s^2")


def _check_resolution(path: Path, key: str, rate: Array) -> None:
    levels = np.unique(rate)
    if len(levels) == 1:
        raise DataError(f"constant at {levels[0]:g} rad/s: the sensor is dead or not connected", path=path, key=key)
    gaps = np.diff(levels)
    step = float(gaps[gaps > 1e-3 * gaps.max()].min())  # smaller gaps are rounding of one and the same level
    if np.std(rate) < _LEAST_STEPS * step:
        problem = (
            f"only {len(levels)} different values, {step:.3g} rad/s apart: the noise hides under the"
            " sensor's step;"
            " choose a smaller measuring range or log more digits"
        )
        raise DataError(problem, path=path, key=key)


def _check_alive(log: GyroLog, rate: Array, key: str, longest: int) -> None:
    changes = np.flatnonzero(np.diff(rate, prepend=np.nan, append=np.nan) != 0)
    runs = np.diff(changes)
    worst = int(runs.argmax())
    if runs[worst] > longest:
        row = int(changes[worst])
        problem = (
            f"stuck at {rate[row]:g} rad/s for {counted(int(runs[worst]), 'sample')} from {log.time_s[row]:.1f} s:"
            " the sensor or the recorder stalled"
        )
        raise DataError(problem, path=log.path, line=int(log.lines[row]), key=key)


def _check_still(log: GyroLog, values: Array, key: str, size: int, least: float, unit: str) -> None:
    """Compare neighbouring windows: a slow drift of the bias passes, a turn or a knock does not."""
    windows = values[: len(values) // size * size].reshape(-1, size)
    steps = np.abs(np.diff(windows.mean(axis=1)))
    limit = max(_STEP_SIGMA * 1.4826 * float(np.median(steps)), least)
    spread = windows.std(axis=1)
    quiet = float(np.median(spread))
    moved = np.concatenate([[False], steps > limit]) | (spread > max(_SHAKEN_RATIO * quiet, least))
    if moved.any():
        first = int(moved.argmax())
        row = first * size
        problem = (
            f"not at rest: moved at {log.time_s[row]:.1f} s, {log.time_s[row] - log.time_s[0]:.0f} s into"
            " the log"
            f" (window mean {windows[first].mean():.4g}, spread {spread[first]:.3g} {unit}; usual spread"
            f" {quiet:.3g});"
            " lay the module down untouched, or cut that part off"
        )
        raise DataError(problem, path=log.path, line=int(log.lines[row]), key=key)
