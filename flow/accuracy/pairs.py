"""The rows of a speed log beside what a reference log says over the same intervals."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.accuracy.reference import Reference
from flow.errors import DataError
from flow.speedlog import SpeedLog

Array: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pairs:
    """Rows that give a velocity and that the reference covers, in order of time.

    ``time_s`` (N,) and ``interval_s`` (N,) are the log's own, whatever shift was taken out; ``truth_m_s``,
    ``error_m_s`` (log minus reference) and ``sigma_m_s`` are (N, 3): forward, right, down. ``height_m`` (N,) is
    the reference's, or the log's where ``height_by_reference`` is False; NaN where unknown.
    """

    time_s: Array
    interval_s: Array
    truth_m_s: Array
    error_m_s: Array
    sigma_m_s: Array
    height_m: Array
    height_by_reference: bool

    @property
    def speed_m_s(self) -> Array:
        """Level speed by the reference, (N,)."""
        return np.asarray(np.hypot(self.truth_m_s[:, 0], self.truth_m_s[:, 1]))


def pair(log: SpeedLog, reference: Reference, shift_s: float = 0.0) -> Pairs:
    """Set a log beside a reference: ``log time + shift_s = reference time``.

    A row's velocity is the mean over its interval: the reference, linear between its samples, is averaged
    over the same interval. Nothing is extrapolated, nor interpolated across a gap in the reference.

    Raises
    ------
    DataError
        No row of the log gives a velocity, or the reference covers none that does.
    """
    if not log.usable.any():
        raise DataError("no row of the speed log gives a velocity; there is nothing to compare")
    time_s = log.time_s + shift_s
    truth = reference.mean_velocity_m_s(time_s, log.interval_s)
    rows = log.usable & ~np.isnan(truth[:, 0])
    if not rows.any():
        own = f"{log.time_s[0]:.3f} to {log.time_s[-1]:.3f} s"
        other = f"{reference.first_s:.3f} to {reference.last_s:.3f} s"
        problem = f"the speed log ({own}) and the reference ({other}) share no covered row"
        raise DataError(f"{problem}; are both on the gyro clock?")
    height = reference.height_m(time_s)
    known = bool((~np.isnan(height[rows])).any())
    return Pairs(
        time_s=log.time_s[rows],
        interval_s=log.interval_s[rows],
        truth_m_s=truth[rows],
        error_m_s=log.velocity_m_s[rows] - truth[rows],
        sigma_m_s=log.sigma_m_s[rows],
        height_m=(height if known else log.height_m)[rows],
        height_by_reference=known,
    )
