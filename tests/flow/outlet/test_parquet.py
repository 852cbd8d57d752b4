"""A Parquet table read back by pyarrow, and held against pandas' own reading of the log's text."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq

from flow.columns import PARQUET, SPEED
from flow.outlet.parquet import write_parquet
from flow.speedlog import read_speed_columns
from tests.flow.outlet.logs import speed_folder


def test_every_row_with_the_columns_of_the_log(tmp_path: Path) -> None:
    path = speed_folder(tmp_path) / "speed.csv"
    assert write_parquet(tmp_path / "speed.parquet", read_speed_columns(path), zero_ns=1_700_000_000_000_000_001) == 3
    table, text = pq.read_table(tmp_path / "speed.parquet"), pd.read_csv(path)
    assert table.column_names == list(PARQUET.names)
    for name in SPEED.names:
        expected = [None if pd.isna(cell) else cell for cell in text[name]]
        assert table[name].to_pylist() == expected, name  # the same doubles; an empty cell is null, not NaN
    assert table["stamp_ns"].to_pylist()[0] == 1_700_000_000_025_000_001
    units = {name: table.schema.field(name).metadata[b"unit"] for name in table.column_names}
    assert units["forward_sigma_m_s"] == b"m/s"
    assert (units["time_s"], units["height_m"], units["stamp_ns"]) == (b"s", b"m", b"ns")
    assert table.schema.field("right_m_s").metadata[b"axes"] == b"level"
    assert b"right" in table.schema.field("right_m_s").metadata[b"meaning"]
    assert b"axes" in table.schema.metadata


def test_no_stamps_where_no_clock_is_known(tmp_path: Path) -> None:
    log = read_speed_columns(speed_folder(tmp_path) / "speed.csv")
    write_parquet(tmp_path / "speed.parquet", log)
    assert pq.read_schema(tmp_path / "speed.parquet").names == list(SPEED.names)
