"""Text logs and their mapping to gyro, range, attitude and reference samples in our units and body axes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.errors import DataError
from flow.intake.axes import R_body_log
from flow.intake.gathered import Origin, sha256
from flow.intake.log_checks import (
    check_gravity,
    check_not_constant,
    check_overlap,
    check_rates,
    fresh_readings,
)
from flow.intake.log_times import Nanoseconds, check_units, increasing, pace, time_zero_ns, to_ns, unwrapped
from flow.intake.mapping import CALENDAR, DIMENSIONS, LogFile
from flow.intake.sniff import Layout, read_columns, sniff
from flow.intake.units import unit
from flow.series import AttitudeSamples, GyroSamples, RangeSamples, Truth
from flow.wording import counted

Array: TypeAlias = NDArray[np.float64]

_TOGETHER = (
    ("gyro", "accel"),
    ("accel", None),
    ("range", "air_temperature"),
    ("attitude", None),
    ("velocity", "height"),
)
"""Parts that have rows of their own, and what stands in the same rows."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LogSamples:
    """What logs hold for a recording; ``time_zero_ns`` was taken off all times."""

    gyro: GyroSamples
    range: RangeSamples | None
    attitude: AttitudeSamples | None
    truth: Truth | None
    time_zero_ns: int
    origins: dict[str, Origin]
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Rows:
    """Values of a part (N, K) in our units, at their times, with the lines they stand in."""

    log: LogFile
    time_ns: Nanoseconds
    values: Array
    lines: NDArray[Any]


def read_logs(logs: Sequence[LogFile]) -> LogSamples:
    """Read logs that share one clock.

    Parameters
    ----------
    logs
        The files and what is taken from each; one of them has the gyro. Without ``axes`` vectors stay as logged, and
        their direction is not held against gravity.

    Raises
    ------
    DataError
        No gyro, a part given twice, a cell or time that cannot be, a column of constants, rates or gravity that
        speak against unit or axes, logs that never overlap: one line with what was found and what to type.
    """
    remarks: list[str] = []
    parts: dict[str, _Rows] = {}
    for log in logs:
        for part, rows in _parts(log, remarks).items():
            if part in parts:
                problem = f"{parts[part].log.file.name} has it too; leave one out: --map {part}@{log.file.name}=none"
                raise DataError(problem, path=log.file, key=part)
            parts[part] = rows
    if "gyro" not in parts:
        names = ", ".join(log.file.name for log in logs) or "no log"
        raise DataError(f"no gyro in {names}; say which columns: --map gyro=X,Y,Z:UNIT")
    zero_ns = time_zero_ns([int(rows.time_ns[0]) for rows in parts.values()])
    times = {part: np.asarray((rows.time_ns - zero_ns) * 1e-9, float) for part, rows in parts.items()}
    check_overlap({part: (parts[part].log.file, times[part]) for part in parts})
    remarks += [
        f"{part}: {counted(len(time_s), 'sample')}, {pace(time_s)}" for part, time_s in times.items() if len(time_s) > 2
    ]
    gyro = _gyro(parts, times, remarks)
    digests = {rows.log.file: sha256(rows.log.file) for rows in parts.values()}
    return LogSamples(
        gyro=gyro,
        range=_range(parts["range"], times["range"]) if "range" in parts else None,
        attitude=_attitude(parts["attitude"], times["attitude"]) if "attitude" in parts else None,
        truth=_truth(parts["truth"], times["truth"]) if "truth" in parts else None,
        time_zero_ns=zero_ns,
        origins={part: _origin(rows, digests[rows.log.file]) for part, rows in parts.items()},
        remarks=tuple(remarks),
    )


def _parts(log: LogFile, remarks: list[str]) -> dict[str, _Rows]:
    layout = sniff(log.file, log.separator, log.header_line)
    held = {part: [_signed(name, layout) for name in columns.columns] for part, columns in log.parts.items()}
    names = [name for pairs in held.values() for name, _ in pairs]
    words = [held["time"][0][0]] if log.time.unit == CALENDAR else []
    cells, lines = read_columns(layout, names, words)
    if not len(lines):
        raise DataError("holds no row", path=log.file)
    time_ns = _times(log, cells[held["time"][0][0]], lines, remarks)
    table = {
        part: np.column_stack(
            [sign * unit(DIMENSIONS[part], log.parts[part].unit).convert(_finite(cells[name], lines, log.file, name))
             for name, sign in pairs]
        )
        for part, pairs in held.items() if part != "time"
    }  # fmt: skip
    made: dict[str, _Rows] = {}
    for part, extra in _TOGETHER:
        if part in table and (part != "accel" or "gyro" not in table):
            values = table[part] if extra not in table else np.column_stack([table[part], table[extra]])
            rows = _known(log, part, time_ns, values, lines, table[part].shape[1], remarks)
            made["truth" if part == "velocity" else part] = rows
    return made


def _known(
    log: LogFile, part: str, time_ns: Nanoseconds, values: Array, lines: NDArray[Any], needed: int, remarks: list[str]
) -> _Rows:
    """Keep the rows with a reading, once each, and check what they say."""
    columns = log.parts[part]
    known = ~np.isnan(values[:, :needed]).any(axis=1)
    if part == "range":
        nothing = known & (values[:, 0] <= 0)
        if nothing.any():
            remarks.append(f"range: {counted(int(nothing.sum()), 'reading')} of 0 or less left out")
        known &= ~nothing
    if known.sum() < 2:
        raise DataError(
            f"{part}: {counted(int(known.sum()), 'reading')}; is it the right column?",
            path=log.file,
            key=columns.columns[0],
        )
    time_ns, values, lines = time_ns[known], values[known], lines[known]
    keep, doubled = increasing(time_ns, np.nan_to_num(values), log.file, lines, log.time.columns[0])
    if doubled:
        remarks.append(f"{part}: {counted(doubled, 'row')} logged twice, used once")
    if part == "range" and not (kept := fresh_readings(time_ns, values[:, 0], keep)).all():
        remarks.append(f"range: {counted(int(np.sum(keep & ~kept)), 'repetition')} of the last reading left out")
        keep &= kept
    rows = _Rows(log, time_ns[keep], values[keep], lines[keep])
    check_not_constant(values[:, :needed], columns.columns, part, log.file)
    if part == "gyro":
        check_rates(rows.values[:, :3], columns, log.file)
    if log.accel is not None and (part == "accel" or (part == "gyro" and rows.values.shape[1] > 3)):
        check_gravity(rows.values[:, -3:], log.accel, log.axes, log.file)
    return rows


def _times(log: LogFile, cells: NDArray[Any], lines: NDArray[Any], remarks: list[str]) -> Nanoseconds:
    key = log.time.columns[0]
    time_ns, counter = unwrapped(to_ns(cells, log.time.unit, log.file, lines, key))
    if counter is not None:
        remarks.append(f"{log.file.name}: {key} is a {counter} that wrapped around; carried on")
    check_units(time_ns, log.file, lines, key)
    return time_ns


def _signed(name: str, layout: Layout) -> tuple[str, float]:
    """Column and sign; a minus before the name turns it, unless a column has it in its name."""
    if name.startswith("-") and name not in layout.names:
        return name[1:], -1.0
    return name, 1.0


def _finite(cells: NDArray[Any], lines: NDArray[Any], path: Path, name: str) -> Array:
    values = np.asarray(cells, float)
    bad = np.isinf(values)
    if bad.any():
        row = int(bad.argmax())
        raise DataError(f"{cells[row]} is not a finite number", path=path, line=int(lines[row]), key=name)
    return values


def _gyro(parts: dict[str, _Rows], times: dict[str, Array], remarks: list[str]) -> GyroSamples:
    """Turn gyro and accelerometer into body axes; the latter may come from a file of its own, at its own times."""
    rows, time_s = parts["gyro"], times["gyro"]
    accel = rows.values[:, 3:] @ _turn(rows).T if rows.values.shape[1] > 3 else None
    if "accel" in parts:
        apart = parts["accel"].values @ _turn(parts["accel"]).T
        columns = [np.interp(time_s, times["accel"], axis, np.nan, np.nan) for axis in apart.T]
        accel = np.column_stack(columns)
        remarks.append("accel: interpolated at the times of the gyro")
    return GyroSamples(
        time_s=time_s,
        rate_rad_s=rows.values[:, :3] @ _turn(rows).T + 0.0,  # no negative zero
        accel_m_s2=None if accel is None else accel + 0.0,
    )


def _turn(rows: _Rows) -> Array:
    return np.eye(3) if rows.log.axes is None else R_body_log(rows.log.axes)


def _range(rows: _Rows, time_s: Array) -> RangeSamples:
    air = rows.values[:, 1] if rows.values.shape[1] > 1 else None
    return RangeSamples(time_s=time_s, range_m=rows.values[:, 0], air_temperature_c=air)


def _attitude(rows: _Rows, time_s: Array) -> AttitudeSamples:
    return AttitudeSamples(time_s=time_s, roll_rad=rows.values[:, 0], pitch_rad=rows.values[:, 1])


def _truth(rows: _Rows, time_s: Array) -> Truth:
    forward, right, down = rows.values[:, :3].T
    height = rows.values[:, 3] if rows.values.shape[1] > 3 else np.full(len(time_s), np.nan)
    return Truth(time_s=time_s, forward_m_s=forward, right_m_s=right, down_m_s=down, height_m=height)


def _origin(rows: _Rows, digest: str) -> Origin:
    return Origin(path=rows.log.file, sha256=digest, inside={"rows": len(rows.lines)})
