"""Whether a log makes physical sense in the units and axes that were said."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.errors import DataError
from flow.intake.axes import R_body_log, axes_text
from flow.intake.mapping import Columns, part_text
from flow.intake.units import FACTORS, STANDARD_GRAVITY_M_S2, unit

Array: TypeAlias = NDArray[np.float64]

FASTEST_TURN_RAD_S = 40.0  # 2300 deg/s; common rate gyros end at 2000 deg/s (common practice)
WILD_TURN_RAD_S = 10.0  # RMS: 570 deg/s all the time is no flight
_LEAST_TURN_RAD_S = 2e-5  # RMS about the mean: below the noise of any small gyro at any rate
_RIGHT_FORCE = 0.25  # of gravity: the median over a recording stays within
_UPRIGHT, _ASIDE = 0.7, 0.35  # cosine of gravity's direction against body z
_HELD_SHARE = 0.6
_HELD_NS = 100_000_000


def check_rates(rate_rad_s: Array, columns: Columns, path: Path) -> None:
    """Refuse turn rates that only another unit explains.

    Raises
    ------
    DataError
        Beyond any gyro, wild all the time, or stiller than any gyro's noise.
    """
    spread = rate_rad_s - np.median(rate_rad_s, axis=0)
    rms, most = float(np.sqrt(np.mean(np.sum(spread**2, axis=1)))), float(np.abs(rate_rad_s).max())
    if most > FASTEST_TURN_RAD_S or rms > WILD_TURN_RAD_S or rms < _LEAST_TURN_RAD_S:
        factor = unit("turn rate", columns.unit).factor
        fitting = [
            name
            for name, other in FACTORS["turn rate"].items()
            if most * other / factor < FASTEST_TURN_RAD_S and 0.02 < rms * other / factor < WILD_TURN_RAD_S
        ]
        found = f"turns at {rms:.3g} rad/s RMS and {most:.3g} rad/s at most when read in {columns.unit}"
        said = part_text("gyro", columns.model_copy(update={"unit": fitting[0] if fitting else "UNIT"}))
        raise DataError(f"{found}, which no craft does; is it --map {said}?", path=path, key=columns.columns[0])


def check_gravity(accel_m_s2: Array, columns: Columns, axes: str | None, path: Path) -> None:
    """Refuse a specific force of another size than gravity or, where axes are said, from below.

    At rest a level module reads -9.81 m/s^2 on body z (the axes of ISO 1151-1).

    Raises
    ------
    DataError
        The median over the log speaks against the unit or the axes.
    """
    known = accel_m_s2[~np.isnan(accel_m_s2).any(axis=1)]
    if not len(known):
        raise DataError("holds no reading", path=path, key=columns.columns[0])
    force = np.median(known, axis=0)
    size = float(np.median(np.linalg.norm(known, axis=1)))
    if abs(size / STANDARD_GRAVITY_M_S2 - 1) > _RIGHT_FORCE:
        raw = size / unit("acceleration", columns.unit).factor
        fitting = [
            name
            for name, factor in FACTORS["acceleration"].items()
            if abs(raw * factor / STANDARD_GRAVITY_M_S2 - 1) < _RIGHT_FORCE
        ]
        other = part_text("accel", columns.model_copy(update={"unit": fitting[0]})) if fitting else "accel=none"
        problem = f"reads {size:.3g} m/s^2 (median) in {columns.unit}, and gravity is 9.81; is it --map {other}?"
        raise DataError(problem, path=path, key=columns.columns[0])
    if axes is None:
        return
    body = R_body_log(axes) @ force
    if -body[2] < _ASIDE * size:
        along = f"({body[0]:+.1f}, {body[1]:+.1f}, {body[2]:+.1f}) m/s^2"
        problem = f"with axes {axes!r} a module at rest reads {along}; level it should read about -9.8 on z"
        remedy = f"{by_gravity(accel_m_s2)}; or leave --axes out: they are estimated from the video (--clock search)"
        raise DataError(f"{problem}: {remedy}", path=path, key=columns.columns[0])


def by_gravity(accel_m_s2: Array) -> str:
    """Say what the specific force (N, 3) at rest shows of the axes of its log, what it does not, and what to type.

    Gravity shows which axis is down. About it every heading reads the same.
    """
    force = np.nanmedian(accel_m_s2, axis=0)
    if np.abs(force).max() < _UPRIGHT * np.linalg.norm(force):
        along = f"({force[0]:+.1f}, {force[1]:+.1f}, {force[2]:+.1f}) m/s^2"
        return f"gravity lies between its axes, {along}: rotate the log into right-angled body axes first, then give --axes"
    choices = [f"'{axes}' ({forward})" for forward, axes in axes_by_gravity(force).items()]
    down = next(iter(axes_by_gravity(force).values())).rpartition("=")[2]
    return (
        f"by gravity down is the log's {down}; which of the others is forward is not observable: confirm it with --axes"
        f" {choices[0]}, the nominal guess, or {', '.join(choices[1:-1])} or {choices[-1]}"
    )


def axes_by_gravity(force: Array) -> dict[str, str]:
    """Axes that put the specific force (3,) at rest on minus body z, by the log's axis that they take for forward.

    The first is the nominal guess: the log's own x, or its z where x is upright.
    """
    k = int(np.abs(force).argmax())
    down = -np.sign(force[k]) * np.eye(3)[k]
    level = [axis for axis in (0, 2, 1) if axis != k]
    choices = {}
    for axis in level:
        for sign, minus in ((1.0, ""), (-1.0, "-")):
            forward = sign * np.eye(3)[axis]
            choices[f"{minus}{'xyz'[axis]} forward"] = axes_text(np.stack([forward, np.cross(down, forward), down]))
    return choices


def check_not_constant(values: Array, names: Sequence[str], part: str, path: Path) -> None:
    """Refuse a column that never changes.

    Raises
    ------
    DataError
        Names it and its value, in our units.
    """
    if len(values) < 3:
        return
    still = np.ptp(values, axis=0) == 0
    if still.any():
        k = int(still.argmax())
        problem = f"never changes from {values[0, k]:.6g}: not connected? say other columns with --map {part}=..."
        leave = "" if part == "gyro" else f", or leave it out with --map {part}=none"
        raise DataError(problem + leave, path=path, key=names[k])


def check_overlap(spans: Mapping[str, tuple[Path, Array]]) -> None:
    """Refuse logs that cover other times than the gyro.

    Raises
    ------
    DataError
        Says both spans.
    """
    gyro_path, gyro_s = spans["gyro"]
    for part, (path, time_s) in spans.items():
        if time_s[0] > gyro_s[-1] or time_s[-1] < gyro_s[0]:
            covered = f"{part} covers {time_s[0]:.3f} to {time_s[-1]:.3f} s, gyro {gyro_s[0]:.3f} to {gyro_s[-1]:.3f} s"
            beside = "" if path == gyro_path else f" (in {gyro_path.name})"
            problem = f"{covered}{beside}: they never overlap; is the unit of a time column wrong (--map time=...)?"
            raise DataError(problem, path=path)


def fresh_readings(time_ns: NDArray[np.int64], range_m: Array, among: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Mark the readings that are new where a log repeats the last one in every row.

    That is what a log written at the gyro's rate does. Where more than 60 % of the rows repeat, only changes count, and
    an unchanged reading once in 0.1 s (the craft may stand on its legs).
    """
    changed = np.concatenate([[True], np.diff(range_m) != 0])
    if (~changed).mean() < _HELD_SHARE:
        return among
    change_ns = np.maximum.accumulate(np.where(changed, time_ns, time_ns[0]))
    tick = (time_ns - change_ns) // _HELD_NS  # of the clock that starts with each change
    return np.asarray(among & (changed | np.concatenate([[True], np.diff(tick) > 0])), bool)
