"""A table of range readings at taped heights: read, checked for units, corrected for the air."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.air import LIKELY_AIR_C, ZERO_CELSIUS_K
from flow.columns import TAPED
from flow.disk.table import Table, read_table
from flow.errors import DataError

Array: TypeAlias = NDArray[np.float64]

LEAST_READINGS = 3
"""Readings a height needs: two that agree may both be stray."""

_COLDEST_C, _HOTTEST_C = -60.0, 80.0
_THERMOMETER_SIGMA_K = 0.5  # a household or board thermometer (common practice)
_UNKNOWN_AIR_SIGMA_K = 5.0  # a heated room that nobody measured (common practice)
_TALLEST_M = 30.0
_LIKELY_RATIO = (0.7, 1.4)
_UNIT_RATIOS = {
    1e-3: "range_m looks like millimetres",
    1e-2: "range_m looks like centimetres",
    1e3: "reference_m looks like millimetres",
    1e2: "reference_m looks like centimetres",
    0.3048: "range_m looks like feet",
    1 / 0.3048: "reference_m looks like feet",
    0.0254: "range_m looks like inches",
    1 / 0.0254: "reference_m looks like inches",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class TapedReadings:
    """Readings (n,) with the height taped for each, m, and the line in the file.

    ``range_m`` is corrected for the air where the sensor needs it; ``air_scale_sigma`` is the relative
    one-sigma that the air temperature leaves on every distance, ``air_temperature_c`` the air in which they hold then, None
    where it is not known or does not matter; ``step_m`` is the smallest step between two
    different readings, at most the sensor's resolution; ``missing`` counts rows without a reading.
    """

    path: Path
    reference_m: Array
    range_m: Array
    lines: NDArray[np.int64]
    step_m: float
    missing: int
    air_scale_sigma: float
    air_temperature_c: float | None
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchAir:
    """The air of a range calibration, degrees C.

    ``matters``: whether the sensor depends on it; ``assumed_c``: as the module file states, None where it does not;
    ``measured_c``: on the bench, for a table without a column of its own.
    """

    matters: bool
    assumed_c: float | None = None
    measured_c: float | None = None


def read_taped(path: str | os.PathLike[str], air: BenchAir) -> TapedReadings:
    """Read a table of ``reference_m,range_m[,air_temperature_c]``.

    Parameters
    ----------
    path
        The CSV file; an empty range cell is no reading.
    air
        What is known of the air besides.

    Raises
    ------
    DataError
        As :func:`flow.disk.table.read_table`; an empty or impossible reference, a negative reading, an impossible
        temperature; one given twice; units that look wrong; one height only; a height with fewer than three rows.
    """
    target = Path(path)
    tables = list(read_table(target, TAPED.needed, TAPED.optional))
    for table in tables:
        _check_values(table)
    columns = {key: np.concatenate([t.columns[key] for t in tables]) for key in (tables[0].columns if tables else ())}
    lines = np.concatenate([t.lines for t in tables]) if tables else np.empty(0, np.int64)
    if not len(lines):
        raise DataError("holds no reading", path=target)
    given = ~np.isnan(columns["range_m"])
    _check_units(target, columns["reference_m"][given], columns["range_m"][given])
    _check_heights(target, columns["reference_m"], lines)
    measured_c = columns.get("air_temperature_c")
    if air.measured_c is not None and measured_c is not None and not np.isnan(measured_c).all():
        problem = "the table says which air its readings were made in; leave --air out"
        raise DataError(problem, path=target, key="air_temperature_c")
    ratio, sigma, air_c, remarks = _air(measured_c, air)
    return TapedReadings(
        path=target,
        reference_m=columns["reference_m"][given],
        range_m=(columns["range_m"] * ratio)[given],
        lines=lines[given],
        step_m=_step(columns["range_m"][given]),
        missing=int((~given).sum()),
        air_scale_sigma=sigma,
        air_temperature_c=air_c,
        remarks=remarks,
    )


def _check_values(table: Table) -> None:
    reference, reading = table.columns["reference_m"], table.columns["range_m"]
    table.refuse(np.isnan(reference), "reference_m", lambda _: "empty; every reading needs its taped height")
    table.refuse(reference <= 0, "reference_m", lambda v: f"{v:g} m is no height above the floor")
    table.refuse(reference > _TALLEST_M, "reference_m", lambda v: f"{v:g} m is beyond a tape; is it in cm or mm?")
    table.refuse(
        reading < 0,
        "range_m",
        lambda v: f"{v:g} m is no distance; leave the cell empty where there is no reading",
    )
    if "air_temperature_c" in table.columns:
        air = table.columns["air_temperature_c"]
        wrong = ~np.isnan(air) & ((air < _COLDEST_C) | (air > _HOTTEST_C))
        table.refuse(wrong, "air_temperature_c", lambda v: f"{v:g} degrees C is no air; is it in kelvin or Fahrenheit?")


def _check_units(path: Path, reference_m: Array, range_m: Array) -> None:
    if not len(range_m):
        raise DataError("every reading is empty; is the sensor connected?", path=path, key="range_m")
    echoes = range_m > 0
    if not echoes.any():
        raise DataError("every reading is zero; is the sensor connected?", path=path, key="range_m")
    ratio = float(np.median(reference_m[echoes] / range_m[echoes]))
    for unit, words in _UNIT_RATIOS.items():
        if _LIKELY_RATIO[0] < ratio / unit < _LIKELY_RATIO[1] and not _LIKELY_RATIO[0] < ratio < _LIKELY_RATIO[1]:
            problem = f"{words}: the taped heights are {ratio:.3g} times the readings; give both in metres"
            raise DataError(problem, path=path, key="range_m" if "range" in words else "reference_m")


def _check_heights(path: Path, reference_m: Array, lines: NDArray[np.int64]) -> None:
    heights, first, counts = np.unique(reference_m, return_index=True, return_counts=True)
    if len(heights) < 2:
        problem = (
            f"one height only ({heights[0]:g} m): scale and offset need two, better four spread over the range in use"
        )
        raise DataError(problem, path=path, key="reference_m")
    if counts.min() < LEAST_READINGS:
        k = int(counts.argmin())
        problem = (
            f"too few readings at {heights[k]:g} m: {counts[k]} where {LEAST_READINGS} are the minimum and 20"
            " are good; with fewer, outliers cannot be detected"
        )
        raise DataError(problem, path=path, line=int(lines[first[k]]), key="reference_m")


def _air(measured_c: Array | None, air: BenchAir) -> tuple[Array | float, float, float | None, tuple[str, ...]]:
    """Factor on every reading, relative one-sigma of it, the air in which the readings then hold, what to tell the user."""
    known = measured_c is not None and not np.isnan(measured_c).all()
    if not air.matters:
        remark = (
            "air_temperature_c was not used: by the module file's range section the sensor does not depend on it"
            " (set assumed_air_temperature_c, or air_dependent: true, for an ultrasonic sensor)"
        )
        return 1.0, 0.0, None, (remark,) if known else ()
    bench_c = _filled(measured_c) if measured_c is not None and known else air.measured_c
    if bench_c is None:
        assumed_k = (LIKELY_AIR_C if air.assumed_c is None else air.assumed_c) + ZERO_CELSIUS_K
        share = 0.5 * _UNKNOWN_AIR_SIGMA_K / assumed_k
        remark = (
            f"no air temperature: the air of the bench is taken as {assumed_k - ZERO_CELSIUS_K:g} +- {_UNKNOWN_AIR_SIGMA_K:g}"
            f" degrees C, which alone leaves {100 * share:.2f} % on the scale, and the air of every flight more;"
            " measure it and give --air, or add the column air_temperature_c"
        )
        return 1.0, share, air.assumed_c, (remark,)
    air_k = np.asarray(bench_c) + ZERO_CELSIUS_K
    sigma = 0.5 * _THERMOMETER_SIGMA_K / float(air_k.mean())
    stated_c = air.assumed_c
    remarks: tuple[str, ...] = ()
    if stated_c is None:
        stated_c = round(float(np.mean(bench_c)), 1)
        remarks = (f"the line holds in air of {stated_c:g} degrees C: range.assumed_air_temperature_c is written",)
    # Distance is echo time times the speed of sound, 343.2 sqrt(T / 293.15 K) m/s in dry air.
    return np.sqrt(air_k / (stated_c + ZERO_CELSIUS_K)), sigma, stated_c, remarks


def _step(readings: Array) -> float:
    gaps = np.diff(np.unique(readings))
    return float(gaps[gaps > 1e-9].min()) if (gaps > 1e-9).any() else 0.0


def _filled(values: Array) -> Array:
    """Empty cells take the value of the nearest row that has one."""
    rows = np.arange(len(values))
    have = np.flatnonzero(~np.isnan(values))
    return np.asarray(values[have[np.abs(rows[:, None] - have).argmin(axis=1)]])
