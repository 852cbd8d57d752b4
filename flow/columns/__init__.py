"""Every table that is read or written, column by column; see :class:`Column`."""

from flow.columns.column import AXES, Column, CsvFile
from flow.columns.planning import BENCHMARK, ENVELOPE, RUNS
from flow.columns.recording import ATTITUDE, FRAMES, GYRO, RANGE, TAPED, TRUTH, VIEWS
from flow.columns.results import FUSED, PARQUET, SPEED, TRACK

FILES = (
    *(FRAMES, GYRO, RANGE, ATTITUDE, TRUTH),
    *(SPEED, TRACK, FUSED, PARQUET),
    *(TAPED, VIEWS, BENCHMARK, RUNS, ENVELOPE),
)
"""All of them, in the order of the work: a recording, a measurement, calibration and planning."""

__all__ = [
    "ATTITUDE",
    "AXES",
    "BENCHMARK",
    "ENVELOPE",
    "FILES",
    "FRAMES",
    "FUSED",
    "GYRO",
    "PARQUET",
    "RANGE",
    "RUNS",
    "SPEED",
    "TAPED",
    "TRACK",
    "TRUTH",
    "VIEWS",
    "Column",
    "CsvFile",
]
