"""``fused.csv``: a row an inertial sample, written as the smoother gives them out."""

from __future__ import annotations

import os
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.columns import FUSED
from flow.disk.files import RowWriter
from flow.fusion.quantities import FusedStates
from flow.fusion.smoother import Smoothed
from flow.statuses import FUSED_STATUSES

Array: TypeAlias = NDArray[np.float64]

STATUS = {status.word: status.meaning for status in FUSED_STATUSES}
"""Every status, in words."""

_BRIDGED_S = 0.1
_WIDEST_M_S = 0.25
# size: decimals, of each column: finer than its noise
_FORMAT = ",".join(["%.6f"] + ["%.6f"] * 6 + ["%.6f"] * 4 + ["%.5f"] * 2 + ["%.7f"] * 6 + ["%.5f"] * 6) + ",%s\n"


class FusedLogWriter(RowWriter):
    """Writes ``fused.csv``; see :class:`flow.disk.files.RowWriter`.

    Parameters
    ----------
    path
        Where the log goes.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        super().__init__(path, FUSED)
        self.rows_by_status = dict.fromkeys(STATUS, 0)

    def write(self, smoothed: Smoothed) -> None:
        """Append smoothed states."""
        states = smoothed.states
        worthless = states.velocity_sigma_m_s[:, :2].max(axis=1) > _WIDEST_M_S
        words = np.where(worthless, "uncertain", np.where(smoothed.since_row_s > _BRIDGED_S, "bridged", "ok"))
        table = np.round(_table(states), 7) + 0.0  # no minus before a zero
        for row, word in zip(table.tolist(), words.tolist(), strict=True):
            self.rows_by_status[word] += 1
            self._file.write(_empty(row[0], word) if word == "uncertain" else _FORMAT % (*row, word))

    def write_without(self, time_s: Array) -> None:
        """Append samples for which there is no state."""
        for moment in time_s.tolist():
            self.rows_by_status["no_state"] += 1
            self._file.write(_empty(moment, "no_state"))


def _table(states: FusedStates) -> Array:
    return np.column_stack(
        [
            states.time_s,
            states.velocity_m_s,
            states.velocity_sigma_m_s,
            states.tilt_rad,
            states.tilt_sigma_rad,
            states.height_m,
            states.height_sigma_m,
            states.gyro_bias_rad_s,
            states.gyro_bias_sigma_rad_s,
            states.accel_bias_m_s2,
            states.accel_bias_sigma_m_s2,
        ]
    )


def _empty(time_s: float, word: str) -> str:
    return f"{time_s:.6f}" + "," * (len(FUSED.columns) - 1) + word + "\n"
