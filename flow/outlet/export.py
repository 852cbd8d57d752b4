"""The results of a measurement, found in their folder and written for other programs."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal, TypeAlias

from flow.errors import DataError
from flow.outlet.time_base import original_zero_ns
from flow.outlet.twist import FRAME_ID, TOPIC
from flow.speedlog import read_speed_columns

Kind: TypeAlias = Literal["mcap", "bag", "parquet"]

FILE_NAMES: dict[Kind, str] = {"mcap": "speed.mcap", "bag": "speed.bag", "parquet": "speed.parquet"}
"""What each kind is called beside ``speed.csv``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Exported:
    """What was written: the file, how many of the log's ``rows`` are in it, and the clock of its stamps.

    ``zero_ns`` is the reading of the original recording's clock at the log's time 0, or None where nothing tells.
    """

    path: Path
    rows: int
    written: int
    zero_ns: int | None


def export_log(
    folder: Path, kind: Kind, *, output: Path | None = None, topic: str = TOPIC, frame_id: str = FRAME_ID
) -> Exported:
    """Write the speed log of a measurement as an MCAP file, a ROS 1 bag or a Parquet table.

    Parameters
    ----------
    folder
        What ``groundpace measure`` wrote.
    kind
        ``mcap`` and ``bag`` hold a message for each row with a velocity, ``parquet`` every row.
    output
        The file; None for the name in `FILE_NAMES` in ``folder``.
    topic, frame_id
        Of the messages.

    Raises
    ------
    DataError
        No speed log there, one that is none, no row with a velocity, or the place cannot be written.
    """
    log_path = folder / "speed.csv"
    if not log_path.exists():
        found = "holds no speed.csv" if folder.is_dir() else "is a file" if folder.exists() else "no such folder"
        raise DataError(f"{found}; give the folder that `groundpace measure` wrote", path=folder)
    log, zero_ns, target = read_speed_columns(log_path), original_zero_ns(folder), output or folder / FILE_NAMES[kind]
    # Here, because these libraries take longer to load than a short log to write.
    if kind == "parquet":
        from flow.outlet.parquet import write_parquet

        written = write_parquet(target, log, zero_ns=zero_ns)
    else:
        from flow.outlet.bags import write_bag, write_mcap

        write = write_mcap if kind == "mcap" else write_bag
        written = write(target, log, zero_ns=zero_ns or 0, topic=topic, frame_id=frame_id)
    return Exported(path=target, rows=len(log.time_s), written=written, zero_ns=zero_ns)
