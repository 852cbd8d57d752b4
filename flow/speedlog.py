"""The speed log on disk: written row by row, read back whole, summed up on the way."""

from __future__ import annotations

import math
import os
import re
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.columns import SPEED
from flow.disk.files import RowWriter, cell
from flow.disk.table import Table, read_table, time_steps
from flow.errors import DataError
from flow.numerics.running_median import RunningMedian
from flow.row import REASONS, NoVelocity, SpeedRow
from flow.statuses import OK

Array: TypeAlias = NDArray[np.float64]

VELOCITY_COLUMNS = SPEED.pick("forward_m_s", "right_m_s", "down_m_s")
SIGMA_COLUMNS = SPEED.pick("forward_sigma_m_s", "right_sigma_m_s", "down_sigma_m_s")


class SpeedLogWriter(RowWriter):
    """Writes ``speed.csv`` row by row; see :class:`flow.disk.files.RowWriter`.

    Parameters
    ----------
    path
        Where the log goes.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        super().__init__(path, SPEED)

    def write(self, row: SpeedRow) -> None:
        """Append a row."""
        self.write_cells(_cells(row))


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeedLog:
    """A speed log, columns of (N,); NaN where a cell is empty.

    ``velocity_m_s`` and ``sigma_m_s`` are (N, 3): forward, right, down.
    """

    time_s: Array
    interval_s: Array
    velocity_m_s: Array
    sigma_m_s: Array
    height_m: Array
    height_sigma_m: Array
    tracks: Array
    inlier_share: Array
    status: list[str]

    @property
    def usable(self) -> NDArray[np.bool_]:
        """Rows that give a velocity, (N,)."""
        return ~np.isnan(self.velocity_m_s[:, 0])


def read_speed_columns(path: str | os.PathLike[str]) -> SpeedLog:
    """Read a whole speed log as arrays; :func:`flow.read_speed_log` gives the same as a pandas table.

    Raises
    ------
    DataError
        A column is missing, a cell is no number, times do not increase, or a row contradicts its own status.
    """
    parts: list[Table] = []
    before_s: float | None = None
    for table in read_table(path, SPEED.needed, words=["status"]):
        before_s = time_steps(table, before_s)
        _check_rows(table)
        parts.append(table)
    if before_s is None:
        raise DataError("holds no row", path=path)
    whole = {key: np.concatenate([part.columns[key] for part in parts]) for key in SPEED.needed}
    for column in whole.values():
        column.flags.writeable = False
    return SpeedLog(
        velocity_m_s=np.column_stack([whole.pop(key) for key in VELOCITY_COLUMNS]),
        sigma_m_s=np.column_stack([whole.pop(key) for key in SIGMA_COLUMNS]),
        status=[word for part in parts for word in part.words["status"]],
        **whole,
    )


class Summary:
    """What a speed log amounts to, summed up row by row in constant memory."""

    def __init__(self) -> None:
        self.rows = 0
        self.rows_usable = 0
        self.rows_by_status: dict[str, int] = {}
        self.covered_s = 0.0
        self.uncovered_s = 0.0
        self.distance_m = 0.0
        self.top_speed_m_s = 0.0
        self._first_s = math.inf
        self._last_s = -math.inf
        self._lowest_m = math.inf
        self._highest_m = -math.inf
        self._sigmas = [RunningMedian() for _ in SIGMA_COLUMNS]

    def add(self, row: SpeedRow) -> None:
        """Take a row into account."""
        self.rows += 1
        self.rows_by_status[row.status] = self.rows_by_status.get(row.status, 0) + 1
        self._first_s = min(self._first_s, row.time_s - row.interval_s / 2)
        self._last_s = max(self._last_s, row.time_s + row.interval_s / 2)
        if row.height_m is not None:
            self._lowest_m = min(self._lowest_m, row.height_m)
            self._highest_m = max(self._highest_m, row.height_m)
        if isinstance(row.velocity, NoVelocity):
            self.uncovered_s += row.interval_s
            return
        speed_m_s = math.hypot(row.velocity.forward_m_s, row.velocity.right_m_s)
        self.rows_usable += 1
        self.covered_s += row.interval_s
        self.distance_m += speed_m_s * row.interval_s
        self.top_speed_m_s = max(self.top_speed_m_s, speed_m_s)
        for median, sigma in zip(self._sigmas, row.velocity.sigma_m_s, strict=True):
            median.add(sigma)

    def as_dict(self) -> dict[str, Any]:
        """Give the summary as plain values; None where no row says anything.

        ``distance_m`` is the length of the path over the usable rows alone; ``uncovered_s`` is the time of
        the others. The noise of a hover lengthens a path: it is no displacement.
        """
        some, high = self.rows_usable > 0, self._highest_m >= self._lowest_m
        sigmas = (median.value() for median in self._sigmas)
        return {
            "duration_s": round(self._last_s - self._first_s, 6) if self.rows else 0.0,
            "rows": self.rows,
            "rows_usable": self.rows_usable,
            "share_usable": round(self.rows_usable / self.rows, 6) if self.rows else 0.0,
            "status": {
                word: {"rows": count, "meaning": REASONS.get(word, OK.meaning)}
                for word, count in sorted(self.rows_by_status.items(), key=lambda item: -item[1])
            },
            "distance_m": round(self.distance_m, 4),
            "covered_s": round(self.covered_s, 6),
            "uncovered_s": round(self.uncovered_s, 6),
            "mean_speed_m_s": round(self.distance_m / self.covered_s, 6) if some else None,
            "top_speed_m_s": round(self.top_speed_m_s, 6) if some else None,
            "lowest_height_m": round(self._lowest_m, 4) if high else None,
            "highest_height_m": round(self._highest_m, 4) if high else None,
            "median_sigma_m_s": dict(zip(("forward", "right", "down"), sigmas, strict=True)),
        }


def _cells(row: SpeedRow) -> list[str]:
    """Cells of a row; times have 7 decimals because the middle of two microseconds ends in a half."""
    if isinstance(row.velocity, NoVelocity):
        motion = [""] * 6
    else:
        values = [*row.velocity.vector_m_s, *row.velocity.sigma_m_s]
        if not np.isfinite(values).all():
            raise ValueError(f"a velocity that is not finite at {row.time_s} s; say why with NoVelocity")
        motion = [f"{value:z.6f}" for value in values]
    return [
        f"{row.time_s:.7f}",
        f"{row.interval_s:.7f}",
        *motion,
        cell(row.height_m, 5),
        cell(row.height_sigma_m, 5),
        str(row.tracks),
        cell(row.inlier_share, 4),
        row.status,
    ]


_WORD = re.compile(r"[a-z][a-z0-9_]*")


def _check_rows(table: Table) -> None:
    columns, words = table.columns, table.words["status"]
    table.refuse(~(columns["interval_s"] > 0), "interval_s", lambda v: f"{v:g} s is no interval")
    for key in (*SIGMA_COLUMNS, "height_sigma_m"):
        table.refuse(columns[key] < 0, key, lambda v: f"{v:g} is negative; a sigma is not")
    moving = np.column_stack([~np.isnan(columns[key]) for key in (*VELOCITY_COLUMNS, *SIGMA_COLUMNS)])
    for i, word in enumerate(words):
        line = int(table.lines[i])
        if not _WORD.fullmatch(word):
            problem = f"{word!r} is no status; `ok` or one snake_case word is expected"
        elif word == "ok" and not moving[i].all():
            problem = "a row that is ok must give all three velocities and their sigmas"
        elif word != "ok" and moving[i].any():
            problem = f"a row that is {word} must leave velocity and sigma empty"
        else:
            continue
        raise DataError(problem, path=table.path, line=line, key="status")
