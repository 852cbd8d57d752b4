"""A column that nobody explains can be neither read nor written, and what is written is what is defined."""

from __future__ import annotations

import ast
import csv
import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from flow import scene
from flow.benchmark.outcomes import pool, table
from flow.benchmark.run_log import RunLog
from flow.budget.conditions import Conditions
from flow.budget.envelope import envelope, table_csv
from flow.columns import BENCHMARK, ENVELOPE, FILES, FUSED, RUNS, SPEED, TRACK, Column, CsvFile
from flow.columns.column import AXES
from flow.disk.files import RowWriter, write_table
from flow.disk.table import read_table
from flow.fusion.fusedlog import FusedLogWriter
from flow.scene import preset_module
from tests.flow.benchmark.runs import made_run

ROOT = Path(__file__).parents[2]
BY_FILE = {table.name: table for table in FILES}

# What the endings of names mean by the recording format: "SI units, stated in every column". The longest ending counts.
UNITS = {
    "_m_s": "m/s", "_s": "s", "_m": "m", "_rad": "rad", "_rad_s": "rad/s", "_m_s2": "m/s²", "_m2": "m²", "_hz": "Hz",
    "_px": "px", "_c": "°C", "_ns": "ns", "_px2": "px²", "_levels": "grey levels", "_levels_px": "grey levels/px",
}  # fmt: skip
UNIT_OF_A_NAME = {"ms_per_frame": "ms", "motion_ms_per_frame": "ms", "position_ms_per_frame": "ms"}


@pytest.mark.parametrize("part", ["name", "unit", "axes", "meaning"])
def test_a_column_without_a_text_does_not_exist(part: str) -> None:
    texts = {"name": "range_m", "unit": "m", "axes": "none", "meaning": "distance"}
    with pytest.raises(ValueError, match=f"has no {part}"):
        Column(**{**texts, part: " "})


def test_axes_are_those_that_are_explained() -> None:
    with pytest.raises(ValueError, match="unknown axes 'north'"):
        Column("range_m", "m", "north", "distance")
    assert all(AXES.values())


def test_a_file_names_no_column_twice_and_has_texts() -> None:
    column = Column("range_m", "m", "none", "distance")
    with pytest.raises(ValueError, match="names a column twice"):
        CsvFile("range.csv", "readings", "read", (column, column))
    with pytest.raises(ValueError, match="lacks a text"):
        CsvFile("range.csv", "", "read", (column,))


@pytest.mark.parametrize(
    ("file", "column"), [pytest.param(t, c, id=f"{t.name}-{c.name}") for t in FILES for c in t.columns]
)
def test_the_unit_is_the_one_in_the_name(file: CsvFile, column: Column) -> None:
    endings = sorted((ending for ending in UNITS if column.name.endswith(ending)), key=len)
    if column.name in UNIT_OF_A_NAME:
        assert column.unit == UNIT_OF_A_NAME[column.name]
    elif endings:
        assert column.unit == UNITS[endings[-1]]
    elif column.kind == "text":
        assert column.unit == "text"
    elif file is RUNS and column.unit != "1":
        assert re.fullmatch(r"m/s|m²/s²", column.unit)  # sums, whose names carry no unit
    else:
        assert column.unit == "1"


def test_vectors_have_axes() -> None:
    # Beside speeds (level by the recording format), whatever ends in a body axis is told in body, camera or board axes.
    for table_ in FILES:
        for column in table_.columns:
            if re.search(r"(forward|right|down)\w*_m_s$", column.name):
                assert column.axes == "level", column.name
            if re.match(r"(gyro|accel)\w*_[xyz]_", column.name):
                assert column.axes == "body", column.name


def test_every_csv_file_that_the_code_names_is_defined() -> None:
    known = {*BY_FILE, "taped.csv", "benchmark-runs.partial.csv", "SPEED.csv", "REFERENCE.csv", "GYRO.csv", ".csv"}
    named = {name for source in sources() for text in strings(source) for name in re.findall(r"^[\w.-]*\.csv$", text)}
    assert "gyro.csv" in named  # otherwise nothing was looked at
    assert named <= known


def sources() -> Iterator[Path]:
    for package in ("flow", "calib", "cli"):
        yield from (ROOT / package).rglob("*.py")


def strings(source: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(source.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.value


def test_a_column_that_is_not_defined_is_not_written(tmp_path: Path) -> None:
    with pytest.raises(KeyError, match=r"speed.csv defines no column wind_m_s"):
        write_table(tmp_path / "speed.csv", SPEED, {"time_s": np.zeros(1), "wind_m_s": np.zeros(1)})
    with pytest.raises(KeyError, match=r"speed.csv needs interval_s"):
        write_table(tmp_path / "speed.csv", SPEED, {"time_s": np.zeros(1)})
    assert not list(tmp_path.iterdir())


def header(path: Path) -> tuple[str, ...]:
    with path.open(newline="") as file:
        return tuple(next(csv.reader(file)))


@pytest.mark.parametrize("file", [SPEED, TRACK], ids=lambda file: file.name)
def test_row_writers_write_what_is_defined(file: CsvFile, tmp_path: Path) -> None:
    with RowWriter(tmp_path / file.name, file):
        pass
    assert header(tmp_path / file.name) == file.names


def test_the_fused_log_writes_what_is_defined(tmp_path: Path) -> None:
    with FusedLogWriter(tmp_path / "fused.csv") as log:
        log.write_without(np.array([1.5]))
    assert header(tmp_path / "fused.csv") == FUSED.names
    [row] = list(csv.DictReader((tmp_path / "fused.csv").read_text().splitlines()))
    assert (row.pop("time_s"), row.pop("status")) == ("1.500000", "no_state")
    assert set(row.values()) == {""}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Synthesise one of everything that holds tables."""
    folder = tmp_path_factory.mktemp("made")
    spec = scene.plan_scene(module="small", motion="hover", duration=0.5, height=1.0, attitude=True)
    scene.synthesize(folder / "flight", spec, scene.Encoding(codec="ffv1"))
    scene.write_bench(folder / "bench", preset_module("small"), duration_s=60.0)
    sheet = scene.Sheet(kind="chessboard", columns=9, rows=6, size_m=0.025)
    scene.write_views(folder / "board", preset_module("small"), sheet, count=1)
    return folder


@pytest.mark.parametrize(
    ("place", "name"),
    [
        *(("flight", name) for name in ("frames.csv", "gyro.csv", "range.csv", "attitude.csv", "truth.csv")),
        *(("bench", "gyro.csv"), ("bench", "taped.csv"), ("board", "views.csv")),
    ],
)
def test_synthetic_tables_hold_what_is_defined_and_are_read_back(made: Path, place: str, name: str) -> None:
    file = BY_FILE["TABLE.csv" if name == "taped.csv" else name]
    names = header(made / place / name)
    assert set(file.needed) <= set(names) <= set(file.names)
    words = [column.name for column in file.columns if column.kind == "text"]
    for part in read_table(made / place / name, file.needed, file.optional, words=words):
        assert len(part.lines)


def test_the_envelope_is_what_is_defined() -> None:
    found = {"as it is": envelope(preset_module("small"), Conditions(height_m=1.0), heights_m=(1.0,))}
    row = {"variant": "", **found["as it is"][0].figures()}
    assert tuple(row) == ENVELOPE.names
    assert table_csv(found).splitlines()[0] == ",".join(ENVELOPE.names)


def test_the_benchmark_is_what_is_defined(tmp_path: Path) -> None:
    one = made_run()
    outcomes = pool([one])
    assert tuple(outcomes[0].as_row()) == BENCHMARK.names
    assert table(outcomes).splitlines()[0] == ",".join(BENCHMARK.names)
    with RunLog(tmp_path, resume=False) as log:
        log.add([one])
    assert header(log.path) == RUNS.names
