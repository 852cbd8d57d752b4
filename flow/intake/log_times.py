"""The time column of a log: unit, counters that wrap around, units that change, rate and jitter."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from flow.errors import DataError
from flow.intake.mapping import CALENDAR
from flow.intake.units import unit

Array: TypeAlias = NDArray[np.float64]
Nanoseconds: TypeAlias = NDArray[np.int64]

# Counters that come round again, ns: by bits and tick (common practice: micros() and millis() in 32 bits).
_ROUNDS = {f"{bits}-bit {name} counter": (1 << bits) * tick
           for bits in (16, 24, 32) for name, tick in (("microsecond", 1000), ("millisecond", 1_000_000))}  # fmt: skip
_BLOCK = 50
_MIXED = 200.0
_HOLE = 200.0  # usual steps: the most that a counter may leap while it wraps
_LEAP_NS = 3_600_000_000_000
_FARTHEST_NS = 9.2e18


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """How regularly a log was sampled: rate, one-sigma of the steps, the longest hole."""

    rate_hz: float
    jitter_s: float
    longest_s: float

    def __str__(self) -> str:
        jitter = "none" if self.jitter_s < 5e-7 else f"{1e3 * self.jitter_s:.2g} ms"
        return f"{self.rate_hz:.6g} Hz, jitter {jitter}, longest gap {1e3 * self.longest_s:.3g} ms"


def to_ns(cells: NDArray[Any], unit_name: str, path: Path, lines: NDArray[Any], key: str) -> Nanoseconds:
    """Time stamps in nanoseconds; whole numbers stay exact.

    Raises
    ------
    DataError
        An empty cell, text that is no date, or a number beyond any time.
    """
    if unit_name == CALENDAR:
        dates = pd.to_datetime(pd.Series(cells), format="ISO8601", utc=True, errors="coerce")
        _refuse(np.asarray(dates.isna()), cells, "is no date with a time", path, lines, key)
        return np.asarray(dates.dt.as_unit("ns").astype("int64").to_list(), np.int64)
    factor = round(unit("time", unit_name).factor * 1e9)
    if cells.dtype.kind in "iu":
        most = np.iinfo(np.int64).max // factor
        _refuse(np.abs(cells.astype(float)) > most, cells, f"{unit_name} is beyond any time", path, lines, key)
        return np.asarray(cells.astype(np.int64) * factor, np.int64)
    values = np.asarray(cells, float)
    _refuse(~np.isfinite(values), cells, "where every row needs its time", path, lines, key)
    _refuse(np.abs(values) * factor > _FARTHEST_NS, cells, f"{unit_name} is beyond any time", path, lines, key)
    return np.asarray(np.rint(values * factor), np.int64)


def unwrapped(time_ns: Nanoseconds) -> tuple[Nanoseconds, str | None]:
    """Carry a counter on where it came round; say which counter, None where nothing wraps."""
    steps = np.diff(time_ns)
    back = steps < 0
    if not back.any() or not (steps > 0).any():
        return time_ns, None
    usual = float(np.median(steps[steps > 0]))
    for name, round_ns in _ROUNDS.items():
        carried = steps[back] + round_ns
        if np.ptp(time_ns) < round_ns and ((carried > 0) & (carried <= _HOLE * usual)).all():
            return time_ns + np.concatenate([[0], np.cumsum(back) * round_ns]), name
    return time_ns, None


def check_units(time_ns: Nanoseconds, path: Path, lines: NDArray[Any], key: str) -> None:
    """Refuse times whose unit changes on the way, or that leap.

    Raises
    ------
    DataError
        Steps of one stretch are hundreds of times those of another, or a step is longer than an hour.
    """
    steps = np.abs(np.diff(time_ns)).astype(float)
    if len(steps) < 2:
        return
    blocks = np.array_split(steps, max(len(steps) // _BLOCK, 2))
    medians = np.array([np.median(block[block > 0]) if (block > 0).any() else np.nan for block in blocks])
    ratio = medians / medians[0]
    odd = (ratio > _MIXED) | (ratio < 1 / _MIXED)
    if odd.any():
        first = int(odd.argmax())
        begin = sum(len(block) for block in blocks[: max(first - 1, 0)])
        change = np.log(np.maximum(steps[begin:], 1) / medians[0]) * np.sign(ratio[first] - 1) > np.log(_MIXED)
        row = begin + int(change.argmax()) + 1
        apart = f"{medians[0] * 1e-9:.3g} s apart, from here on {medians[first] * 1e-9:.3g} s"
        problem = f"time changes its unit: rows are {apart}; split the file there and import the part you need"
        raise DataError(problem, path=path, line=int(lines[row]), key=key)
    leap = steps > max(_LEAP_NS, _MIXED * float(np.nanmedian(medians)))
    if leap.any():
        row = int(leap.argmax()) + 1
        step_s = (time_ns[row] - time_ns[row - 1]) * 1e-9
        problem = f"time leaps by {step_s:.6g} s; does the file hold two logs? split it there"
        raise DataError(problem, path=path, line=int(lines[row]), key=key)


def increasing(
    time_ns: Nanoseconds, values: Array, path: Path, lines: NDArray[Any], key: str
) -> tuple[NDArray[np.bool_], int]:
    """Mark the rows to keep: a row logged twice (same time, same values) counts once; give how many were dropped.

    Raises
    ------
    DataError
        Time runs backwards, or repeats with other values.
    """
    steps = np.diff(time_ns)
    if (steps < 0).any():
        row = int((steps < 0).argmax()) + 1
        times = f"{time_ns[row] * 1e-9:.9g} s after {time_ns[row - 1] * 1e-9:.9g} s"
        problem = f"time runs backwards: {times}; does the file hold two logs? split it there"
        raise DataError(problem, path=path, line=int(lines[row]), key=key)
    again = np.concatenate([[False], steps == 0])
    same = np.concatenate([[False], (values[1:] == values[:-1]).all(axis=1)])
    if (again & ~same).any():
        row = int((again & ~same).argmax())
        share = float(again.mean())
        coarse = f"; so do {100 * share:.0f} % of the rows: the clock counts too coarsely for this rate" * (
            share > 0.05
        )
        problem = f"time repeats with other values: {time_ns[row] * 1e-9:.9g} s twice{coarse}"
        raise DataError(problem, path=path, line=int(lines[row]), key=key)
    return ~again, int(again.sum())


def pace(time_s: Array) -> Pace:
    """Rate by the median step, jitter as one-sigma of the steps (by quartiles, so that holes do not count)."""
    steps = np.diff(time_s)
    low, middle, high = np.percentile(steps, (25, 50, 75))
    return Pace(rate_hz=float(1 / middle), jitter_s=float(high - low) / 1.349, longest_s=float(steps.max()))


def time_zero_ns(starts_ns: Sequence[int]) -> int:
    """Give what to take off all times: whole seconds where stamps count from 1970 or the like, else nothing."""
    first = min(starts_ns)
    return first // 10**9 * 10**9 if abs(first) > 10**15 else 0


def _refuse(
    bad: NDArray[np.bool_], cells: NDArray[Any], problem: str, path: Path, lines: NDArray[Any], key: str
) -> None:
    if bad.any():
        row = int(bad.argmax())
        found = "empty cell" if str(cells[row]) in ("nan", "") else str(cells[row])
        raise DataError(f"{found} {problem}", path=path, line=int(lines[row]), key=key)
