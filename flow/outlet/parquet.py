"""A speed log as a Parquet table."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from flow.columns import PARQUET, SPEED
from flow.disk.files import replacing
from flow.outlet.twist import stamp_ns
from flow.speedlog import SIGMA_COLUMNS, VELOCITY_COLUMNS, SpeedLog

_ABOUT = {
    "axes": "level: forward = body x projected on the horizontal plane, right, down; velocity of the body origin",
    "clock": "time_s: the gyro's, middle of the interval between two frames",
    "null": "no reading; status says why a row has no velocity",
}


def write_parquet(path: Path, log: SpeedLog, *, zero_ns: int | None = None) -> int:
    """Write every row with the columns of ``speed.csv``, and give their number.

    Parameters
    ----------
    path
        The file; whole or not at all.
    log
        The speed log; what is empty there is null here.
    zero_ns
        What the log's time 0 is on the clock of the original recording; where given, a column ``stamp_ns`` holds
        each time on that clock.

    Raises
    ------
    DataError
        The place cannot be written.
    """
    columns = _columns(log, zero_ns)
    about = {c.name: {"unit": c.unit, "axes": c.axes, "meaning": c.meaning} for c in PARQUET.columns}
    fields = [pa.field(name, values.type, metadata=about[name]) for name, values in columns.items()]
    table = pa.table(list(columns.values()), schema=pa.schema(fields, metadata=_ABOUT))
    with replacing(path) as temporary:
        pq.write_table(table, temporary)
    return int(table.num_rows)


def _columns(log: SpeedLog, zero_ns: int | None) -> dict[str, Any]:
    whole: dict[str, Any] = {
        **dict(zip(VELOCITY_COLUMNS, log.velocity_m_s.T, strict=True)),
        **dict(zip(SIGMA_COLUMNS, log.sigma_m_s.T, strict=True)),
    }
    columns: dict[str, Any] = {}
    for name in SPEED.names:
        if name == "status":
            columns[name] = pa.array(log.status, pa.string())
        elif name == "tracks":
            columns[name] = pa.array(np.asarray(log.tracks), from_pandas=True).cast(pa.int32())
        else:
            values = whole[name] if name in whole else getattr(log, name)
            columns[name] = pa.array(np.ascontiguousarray(values), from_pandas=True)
    if zero_ns is not None:
        columns["stamp_ns"] = pa.array([stamp_ns(time_s, zero_ns) for time_s in log.time_s], pa.int64())
    return columns
