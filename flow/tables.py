"""Results as pandas tables: the columns of ``speed.csv``, from a file or straight from a measurement."""

from __future__ import annotations

import math
import os
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from flow.columns import SPEED
from flow.result import FrameResult
from flow.row import NoVelocity, SpeedRow
from flow.speedlog import SIGMA_COLUMNS, VELOCITY_COLUMNS, read_speed_columns

if TYPE_CHECKING:
    import pandas as pd

_EMPTY = dict.fromkeys((*VELOCITY_COLUMNS, *SIGMA_COLUMNS), math.nan)


def read_speed_log(path: str | os.PathLike[str]) -> pd.DataFrame:
    """Read a speed log as a pandas table.

    Parameters
    ----------
    path
        A ``speed.csv``.

    Returns
    -------
    A row for each pair of frames, with the columns of ``speed.csv``: SI units, level axes (forward, right, down), times on
    the gyro's clock. What is empty in the file is NaN; ``tracks`` is an integer, ``status`` text.

    Raises
    ------
    DataError
        A column is missing, a cell is no number, times do not increase, or a row contradicts its own status: the
        message names file, line and column.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> import flow
    >>> from flow.speedlog import SpeedLogWriter
    >>> row = flow.SpeedRow(time_s=0.5, interval_s=0.02, velocity=flow.NoVelocity(reason="few_tracks"),
    ...                     height_m=1.5, height_sigma_m=0.01, tracks=3, inlier_share=None)
    >>> path = Path(tempfile.mkdtemp()) / "speed.csv"
    >>> with SpeedLogWriter(path) as writer:
    ...     writer.write(row)
    >>> flow.read_speed_log(path)[["time_s", "forward_m_s", "height_m", "tracks", "status"]]
       time_s  forward_m_s  height_m  tracks      status
    0     0.5          NaN       1.5       3  few_tracks
    """
    log = read_speed_columns(path)
    columns: dict[str, Any] = {
        **dict(zip(VELOCITY_COLUMNS, log.velocity_m_s.T, strict=True)),
        **dict(zip(SIGMA_COLUMNS, log.sigma_m_s.T, strict=True)),
    }
    return _table({name: columns[name] if name in columns else getattr(log, name) for name in SPEED.names})


def speed_table(results: Iterable[FrameResult | SpeedRow]) -> pd.DataFrame:
    """Gather results of a measurement into a pandas table.

    Parameters
    ----------
    results
        What :func:`flow.measure` yields, what :meth:`flow.Estimator.add_frame` returned, or rows alone. All of them are
        measured here: a table needs memory for each row, but none for the frames.

    Returns
    -------
    The same columns and types as :func:`read_speed_log` gives for the ``speed.csv`` of the same flight, there rounded to
    0.1 µs, 1 µm/s and 10 µm. Rows without a trustworthy velocity have NaN for it, and a status that is not ``ok``.

    Examples
    --------
    >>> import itertools
    >>> import flow
    >>> recording = flow.open_recording("sample_video/flight")
    >>> beginning = itertools.islice(flow.measure(recording, positions=False, first_pass=False), 30)
    >>> log = flow.speed_table(beginning)
    >>> len(log), bool((log.status == "ok").all()), bool((log.forward_sigma_m_s < 0.05).all())
    (30, True, True)
    """
    rows = [result if isinstance(result, SpeedRow) else result.row for result in results]
    cells = [_cells(row) for row in rows]
    return _table({name: [row[name] for row in cells] for name in SPEED.names})


def _cells(row: SpeedRow) -> dict[str, Any]:
    velocity = row.velocity
    if isinstance(velocity, NoVelocity):
        moving: dict[str, float] = _EMPTY
    else:
        values = (*velocity.vector_m_s, *velocity.sigma_m_s)
        moving = dict(zip((*VELOCITY_COLUMNS, *SIGMA_COLUMNS), values, strict=True))
    return {name: moving[name] if name in moving else getattr(row, name) for name in SPEED.names}


def _table(columns: dict[str, Any]) -> pd.DataFrame:
    """Make a table; what is None becomes NaN."""
    import pandas as pd

    kinds: dict[str, Any] = {column.name: column.dtype for column in SPEED.columns}
    return pd.DataFrame(columns).astype(kinds)
