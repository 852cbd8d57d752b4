"""Gyro, range, attitude and reference logs, read in bounded memory and checked for the slips people make."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TypeAlias, TypeVar

import numpy as np
from numpy.typing import NDArray

from flow.columns import ATTITUDE, GYRO, RANGE, TRUTH
from flow.disk.table import Table, read_table, time_steps
from flow.errors import DataError

Array: TypeAlias = NDArray[np.float64]
S = TypeVar("S")

GYRO_COLUMNS = GYRO.pick("gyro_x_rad_s", "gyro_y_rad_s", "gyro_z_rad_s")
ACCEL_COLUMNS = GYRO.pick("accel_x_m_s2", "accel_y_m_s2", "accel_z_m_s2")
TRUTH_COLUMNS = TRUTH.pick("forward_m_s", "right_m_s", "down_m_s", "height_m")

# Limits beyond which a unit is wrong rather than a flight wild.
_FASTEST_TURN_RAD_S = 40.0  # 2300 deg/s, above the range of common rate gyros (2000 deg/s, common practice)
_WILD_TURN_RAD_S = 10.0  # RMS over a chunk: 570 deg/s all the time is no flight
_HARDEST_ACCEL_M_S2 = 400.0  # 40 g, above the range of common accelerometers
_LEAST_FORCE_M_S2 = 4.0  # median over a chunk: nothing falls for so long
_FARTHEST_RANGE_M = 200.0
_FASTEST_SPEED_M_S = 300.0
_FEW = 10  # rows below which a median or an RMS says nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class GyroSamples:
    """Consecutive gyro samples: ``time_s`` (N,) gyro clock, ``rate_rad_s`` (N, 3) body axes.

    ``accel_m_s2`` (N, 3) is specific force, NaN rows where there was no reading; None where the log has none.

    Examples
    --------
    >>> from flow import GyroSamples
    >>> still = GyroSamples(time_s=np.arange(3) / 200, rate_rad_s=np.zeros((3, 3)), accel_m_s2=np.full((3, 3), [0, 0, -9.81]))
    >>> still.part(slice(1, None)).time_s
    array([0.005, 0.01 ])
    """

    time_s: Array
    rate_rad_s: Array
    accel_m_s2: Array | None

    def part(self, rows: slice | NDArray[np.bool_]) -> GyroSamples:
        """Return some of the samples."""
        accel = None if self.accel_m_s2 is None else self.accel_m_s2[rows]
        return GyroSamples(time_s=self.time_s[rows], rate_rad_s=self.rate_rad_s[rows], accel_m_s2=accel)

    def followed_by(self, later: GyroSamples) -> GyroSamples:
        """Return these samples and later ones."""
        both = self.accel_m_s2 is not None and later.accel_m_s2 is not None
        return GyroSamples(
            time_s=np.concatenate([self.time_s, later.time_s]),
            rate_rad_s=np.concatenate([self.rate_rad_s, later.rate_rad_s]),
            accel_m_s2=np.concatenate([self.accel_m_s2, later.accel_m_s2]) if both else None,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeSamples:
    """Consecutive range readings: ``time_s`` (N,) range clock, ``range_m`` (N,) as logged.

    ``air_temperature_c`` (N,) is NaN where there was no reading; None where the log has none.

    Examples
    --------
    >>> readings = RangeSamples(time_s=np.array([0.0, 0.05]), range_m=np.array([1.50, 1.52]), air_temperature_c=None)
    >>> readings.part(np.array([False, True])).range_m
    array([1.52])
    """

    time_s: Array
    range_m: Array
    air_temperature_c: Array | None

    def part(self, rows: slice | NDArray[np.bool_]) -> RangeSamples:
        """Return some of the readings."""
        air = None if self.air_temperature_c is None else self.air_temperature_c[rows]
        return RangeSamples(time_s=self.time_s[rows], range_m=self.range_m[rows], air_temperature_c=air)


@dataclass(frozen=True, slots=True, kw_only=True)
class AttitudeSamples:
    """Consecutive attitude readings, (N,) each: ``time_s`` gyro clock, ``roll_rad``, ``pitch_rad``.

    Examples
    --------
    >>> level = AttitudeSamples(time_s=np.array([0.0, 0.1]), roll_rad=np.zeros(2), pitch_rad=np.array([0.0, 0.02]))
    >>> level.part(slice(1)).pitch_rad
    array([0.])
    """

    time_s: Array
    roll_rad: Array
    pitch_rad: Array

    def part(self, rows: slice) -> AttitudeSamples:
        """Return some of the readings."""
        return AttitudeSamples(time_s=self.time_s[rows], roll_rad=self.roll_rad[rows], pitch_rad=self.pitch_rad[rows])


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """A reference log, (N,) each: velocity of the body origin in level axes, and its height.

    NaN where a cell was empty.
    """

    time_s: Array
    forward_m_s: Array
    right_m_s: Array
    down_m_s: Array
    height_m: Array


def read_gyro(path: str | os.PathLike[str]) -> Iterator[GyroSamples]:
    """Read ``gyro.csv`` some thousand rows at a time; a row without all three rates is left out.

    Raises
    ------
    DataError
        At once for the header; while iterating for a cell that is no number, times that do not increase,
        rates, accelerations or time steps that only a wrong unit explains, or a log without any reading.
    """
    tables = read_table(path, GYRO.needed, GYRO.optional)
    return _not_empty(path, _gyro_chunks(tables))


def read_range(path: str | os.PathLike[str]) -> Iterator[RangeSamples]:
    """Read ``range.csv`` some thousand rows at a time; a row without a range is left out.

    Raises
    ------
    DataError
        As :func:`read_gyro`.
    """
    tables = read_table(path, RANGE.needed, RANGE.optional)
    return _not_empty(path, _range_chunks(tables))


def read_attitude(path: str | os.PathLike[str]) -> Iterator[AttitudeSamples]:
    """Read ``attitude.csv`` some thousand rows at a time; a row without both angles is left out.

    Raises
    ------
    DataError
        As :func:`read_gyro`.
    """
    tables = read_table(path, ATTITUDE.needed, ATTITUDE.optional)
    return _not_empty(path, _attitude_chunks(tables))


def read_truth(path: str | os.PathLike[str]) -> Truth:
    """Read a whole reference log (the ``truth.csv`` columns).

    Raises
    ------
    DataError
        As :func:`read_gyro`.
    """
    parts: list[Table] = []
    before_s: float | None = None
    for table in read_table(path, TRUTH.needed):
        before_s = time_steps(table, before_s, longest_step_s=1.5)
        for key in TRUTH_COLUMNS[:3]:
            table.refuse(np.abs(table.columns[key]) > _FASTEST_SPEED_M_S, key, _too_fast)
        parts.append(table)
    if before_s is None:
        raise DataError("holds no reading", path=path)
    return Truth(**{key: _frozen(np.concatenate([part.columns[key] for part in parts])) for key in TRUTH.needed})


def _gyro_chunks(tables: Iterator[Table]) -> Iterator[GyroSamples]:
    before_s: float | None = None
    for table in tables:
        before_s = time_steps(table, before_s, longest_step_s=0.25)
        columns = table.columns
        for key in GYRO_COLUMNS:
            table.refuse(np.abs(columns[key]) > _FASTEST_TURN_RAD_S, key, _too_fast_turn)
        rate = np.column_stack([columns[key] for key in GYRO_COLUMNS])
        known = ~np.isnan(rate).any(axis=1)
        rate = rate[known]
        if len(rate) > _FEW and (rms := float(np.sqrt(np.mean(np.sum(rate**2, axis=1))))) > _WILD_TURN_RAD_S:
            raise _over_rows(table, GYRO_COLUMNS[0], f"turns at {rms:.3g} rad/s (RMS); is the log in deg/s?")
        accel = _accel(table)
        if len(rate):
            yield GyroSamples(
                time_s=_frozen(columns["time_s"][known]),
                rate_rad_s=_frozen(rate),
                accel_m_s2=None if accel is None else _frozen(accel[known]),
            )


def _accel(table: Table) -> Array | None:
    given = [key for key in ACCEL_COLUMNS if key in table.columns]
    if not given:
        return None
    for key in ACCEL_COLUMNS:
        if key not in given:
            problem = f"column missing beside {given[0]}; give all three or none"
            raise DataError(problem, path=table.path, line=1, key=key)
        table.refuse(np.abs(table.columns[key]) > _HARDEST_ACCEL_M_S2, key, _too_hard)
    accel = np.column_stack([table.columns[key] for key in ACCEL_COLUMNS])
    known = ~np.isnan(accel).any(axis=1)
    accel[~known] = np.nan
    size = float(np.median(np.linalg.norm(accel[known], axis=1))) if known.sum() > _FEW else 9.8
    if size < _LEAST_FORCE_M_S2:
        in_g, dead = "; is the log in g?", " and not 9.8; leave these columns out where nothing measures it"
        problem = f"specific force is {size:.3g} m/s2 (median){in_g if 0.5 < size < 1.5 else dead}"
        raise _over_rows(table, given[0], problem)
    return accel


def _range_chunks(tables: Iterator[Table]) -> Iterator[RangeSamples]:
    before_s: float | None = None
    for table in tables:
        before_s = time_steps(table, before_s, longest_step_s=2.0)
        columns = table.columns
        table.refuse(columns["range_m"] < 0, "range_m", _negative_range)
        table.refuse(columns["range_m"] > _FARTHEST_RANGE_M, "range_m", _too_far)
        air = columns.get("air_temperature_c")
        if air is not None:
            table.refuse((air < -90) | (air > 90), "air_temperature_c", _no_air)
        known = ~np.isnan(columns["range_m"])
        if known.any():
            yield RangeSamples(
                time_s=_frozen(columns["time_s"][known]),
                range_m=_frozen(columns["range_m"][known]),
                air_temperature_c=None if air is None else _frozen(air[known]),
            )


def _attitude_chunks(tables: Iterator[Table]) -> Iterator[AttitudeSamples]:
    before_s: float | None = None
    for table in tables:
        before_s = time_steps(table, before_s, longest_step_s=0.5)
        time_s, roll, pitch = (table.columns[key] for key in ("time_s", "roll_rad", "pitch_rad"))
        table.refuse(np.abs(roll) > np.pi * 1.001, "roll_rad", _no_angle)
        table.refuse(np.abs(pitch) > np.pi / 2 * 1.2, "pitch_rad", _no_angle)
        known = ~(np.isnan(roll) | np.isnan(pitch))
        if known.any():
            yield AttitudeSamples(
                time_s=_frozen(time_s[known]), roll_rad=_frozen(roll[known]), pitch_rad=_frozen(pitch[known])
            )


def _not_empty(path: str | os.PathLike[str], chunks: Iterator[S]) -> Iterator[S]:
    empty = True
    for chunk in chunks:
        empty = False
        yield chunk
    if empty:
        raise DataError("holds no reading", path=path)


def _over_rows(table: Table, key: str, problem: str) -> DataError:
    """Word a complaint about many rows, placed at the first of them."""
    return DataError(problem, path=table.path, line=int(table.lines[0]), key=key)


def _too_fast_turn(value: float) -> str:
    return f"{value:g} rad/s is beyond any gyro; is the log in deg/s?"


def _too_hard(value: float) -> str:
    return f"{value:g} m/s2 is beyond any accelerometer; is it in m/s2, and not in mg or raw counts?"


def _too_far(value: float) -> str:
    return f"{value:g} m is too far for a range sensor; is the log in millimetres or centimetres?"


def _negative_range(value: float) -> str:
    return f"{value:g} m is negative; leave the cell empty where there is no reading"


def _no_air(value: float) -> str:
    return f"{value:g} is no air temperature in degrees Celsius"


def _no_angle(value: float) -> str:
    return f"{value:g} rad is beyond a full turn; is the log in degrees?"


def _too_fast(value: float) -> str:
    return f"{value:g} m/s is too fast for a rotorcraft; is the log in mm/s or cm/s?"


def _frozen(values: Array) -> Array:
    values = np.ascontiguousarray(values)
    values.flags.writeable = False
    return values
