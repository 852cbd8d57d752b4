"""A mapping proposed from a log's column names and values; where these leave a doubt, it asks instead of guessing."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.errors import DataError
from flow.intake.headers import Meaning, meaning
from flow.intake.log_checks import FASTEST_TURN_RAD_S
from flow.intake.mapping import CALENDAR, COUNTS, DIMENSIONS, Columns, LogFile, part_text
from flow.intake.sniff import Layout, is_number, read_columns, sniff
from flow.intake.units import FACTORS, STANDARD_GRAVITY_M_S2

Array: TypeAlias = NDArray[np.float64]

_SLOWEST_S, _FASTEST_S = {"gyro": 0.06}, {"gyro": 1e-4}  # steps between rows that a log of gyro has; else:
_SLOW_S, _FAST_S = 1.2, 2e-3
_SURELY_DEG, _SURELY_RAD = 8.0, 0.25  # RMS, as logged: no flight turns at 8 rad/s, no hover at 0.25 deg/s
_FORCE_SLACK = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """A log's mapping, and by part why it was chosen: ``said``, ``name`` or ``values``."""

    log: LogFile
    reasons: Mapping[str, str]


def propose(path: Path, said: Mapping[str, Columns | None], axes: str | None = None) -> Proposal:
    """Propose what stands where.

    Parameters
    ----------
    path
        The log.
    said
        Parts that a person has mapped, None for those to leave out. A column that is not in this file is passed over:
        it may be in another.
    axes
        Axes of the log, where known.

    Raises
    ------
    DataError
        No time, several columns that may be meant, or a unit that neither name nor values tell: says what to type.
    """
    layout = sniff(path)
    found: dict[str, Columns] = {}
    reasons: dict[str, str] = {}
    for part, wanted in said.items():
        if wanted is not None and all(_held(name, layout) for name in wanted.columns):
            found[part], reasons[part] = wanted, "said"
    by_name = _by_name(layout, {part for part in DIMENSIONS if part not in said})
    ours = all(name in layout.names for name in ("gyro_x_rad_s", "gyro_y_rad_s", "gyro_z_rad_s"))
    for part, (columns, unit) in by_name.items():
        if part != "time" or "time" not in found:
            reasons[part] = "name" if unit is not None else "values"
            found[part] = Columns(columns=columns, unit=unit or "?")
    for alone, needed in (("air_temperature", "range"), ("height", "velocity")):
        if alone in found and needed not in found and reasons[alone] != "said":
            del found[alone], reasons[alone]
    if not set(found) - {"time"}:
        names = ", ".join(filter(None, layout.names[:12])) + (", ..." if len(layout.names) > 12 else "")
        problem = f"no column that is plainly gyro or range among {names}; say with --map gyro=X,Y,Z:UNIT"
        raise DataError(problem, path=path, line=layout.header_line)
    if "time" not in found and (name := _only_increasing(layout, found)) is not None:
        found["time"], reasons["time"] = Columns(columns=(name,), unit="?"), "values"
    if "time" not in found:
        raise DataError("no column that is plainly time; say with --map time=COLUMN:UNIT", path=path)
    _settle_units(layout, found, reasons)
    log = LogFile(
        file=path,
        separator=layout.separator,
        header_line=layout.header_line,
        axes="x=x y=y z=z" if axes is None and ours and reasons.get("gyro") == "name" else axes,
        **found,
    )
    return Proposal(log=log, reasons=reasons)


def _held(name: str, layout: Layout) -> bool:
    return name in layout.names or (name.startswith("-") and name[1:] in layout.names)


def _by_name(layout: Layout, parts: set[str]) -> dict[str, tuple[tuple[str, ...], str | None]]:
    """Columns of each part by what their names say."""
    families: dict[str, dict[str, dict[int | None, tuple[str, Meaning]]]]
    families = defaultdict(lambda: defaultdict(dict))
    for name in layout.names:
        if (read := meaning(name)) is not None and read.part in parts:
            family = name if read.axis is None else f"{read.family} {read.unit}"  # scalars stand for themselves
            families[read.part][family].setdefault(read.axis, (name, read))
    found: dict[str, tuple[tuple[str, ...], str | None]] = {}
    for part, by_family in families.items():
        count = COUNTS.get(part)
        axes: tuple[int | None, ...] = tuple(range(count)) if count else (None,)
        whole = [
            tuple(held[axis] for axis in axes) for held in by_family.values() if all(axis in held for axis in axes)
        ]
        if part == "time" and len(whole) > 1:
            whole = [choice for choice in whole if _rises(layout, choice[0][0])] or whole
        if len(whole) > 1:
            choices = " or ".join(
                part_text(part, Columns(columns=tuple(name for name, _ in columns), unit=columns[0][1].unit or "UNIT"))
                for columns in whole
            )
            problem = f"{len(whole)} sets of columns may be {part}: say which with --map {choices}"
            raise DataError(problem, path=layout.path, line=layout.header_line)
        if whole:
            units = {read.unit for _, read in whole[0]}
            found[part] = tuple(name for name, _ in whole[0]), units.pop() if len(units) == 1 else None
    return found


def _only_increasing(layout: Layout, found: Mapping[str, Columns]) -> str | None:
    """Name the only column left that increases all the way down the first rows."""
    taken = {name for columns in found.values() for name in columns.columns}
    free = [name for name in layout.names if name and name not in taken and layout.names.count(name) == 1]
    rising = [name for name in free if _rises(layout, name)]
    return rising[0] if len(rising) == 1 else None


def _rises(layout: Layout, name: str) -> bool:
    place = layout.column(name)
    cells = [row[place].replace(",", ".") for row in layout.sample if place < len(row) and is_number(row[place])]
    values = np.array([float(cell) for cell in cells if cell])
    return len(values) > 2 and bool((np.diff(values) >= 0).all()) and bool(values[-1] > values[0])


def _settle_units(layout: Layout, found: dict[str, Columns], reasons: dict[str, str]) -> None:
    """Settle the units that names leave open by the values; refuse where these leave them open too."""
    open_parts = [part for part, columns in found.items() if columns.unit == "?"]
    if not open_parts:
        return
    is_date = "time" in open_parts and not _numeric(layout, found["time"].columns[0])
    names = [name.removeprefix("-") if name not in layout.names else name
             for part in {*open_parts, "time"} for name in found[part].columns]  # fmt: skip
    words = [found["time"].columns[0]] if is_date or found["time"].unit == CALENDAR else []
    columns, _ = read_columns(layout, names, words)
    for part in open_parts:
        held = found[part].columns
        values = None if part == "time" and is_date else np.column_stack([_plain(columns[name]) for name in held])
        sensor = "gyro" if "gyro" in found else "range"
        unit = CALENDAR if values is None else _unit_by_values(part, values, sensor)
        if unit is None:
            choice = part_text(part, Columns(columns=held, unit="UNIT"))
            known = ", ".join(FACTORS[DIMENSIONS[part]])
            problem = (
                f"neither name nor values show the unit; give it with --map {choice}, where UNIT is one of {known}"
            )
            raise DataError(problem, path=layout.path, line=layout.header_line, key=held[0])
        found[part] = Columns(columns=held, unit=unit)
        reasons[part] = "values"


def _plain(cells: Any) -> Array:
    return np.asarray(cells, float)


def _numeric(layout: Layout, name: str) -> bool:
    place = layout.column(name)
    cells = [row[place] for row in layout.sample[1:] if place < len(row)]
    return sum(map(is_number, cells)) > 0.8 * len(cells)


def _unit_by_values(part: str, values: Array, sensor: str) -> str | None:
    """Name the only unit in which the values make sense; None where there is none, or more than one."""
    values = values[np.isfinite(values).all(axis=1)]
    if len(values) < 3:
        return None
    if part == "time":
        steps = np.diff(values[:, 0])
        step = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
        low, high = _FASTEST_S.get(sensor, _FAST_S), _SLOWEST_S.get(sensor, _SLOW_S)
        fitting = [name for name in ("s", "ms", "us", "ns") if low <= step * FACTORS["time"][name] <= high]
        return fitting[0] if len(fitting) == 1 else None
    if part == "accel":
        size = float(np.median(np.linalg.norm(values, axis=1)))
        factors = FACTORS["acceleration"]
        fitting = [n for n, f in factors.items() if abs(size * f / STANDARD_GRAVITY_M_S2 - 1) < _FORCE_SLACK]
        return fitting[0] if len(fitting) == 1 else next((n for n in ("mg",) if n in fitting), None)
    if part == "gyro":
        spread = values - np.median(values, axis=0)
        rms, most = float(np.sqrt(np.mean(np.sum(spread**2, axis=1)))), float(np.abs(values).max())
        if rms > _SURELY_DEG or most > FASTEST_TURN_RAD_S:
            return "deg/s" if most < 2500 else None
        return "rad/s" if rms < _SURELY_RAD else None
    if part == "attitude":
        most = float(np.abs(values).max())
        return "deg" if most > 3.2 else None
    return None
