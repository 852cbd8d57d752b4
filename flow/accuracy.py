"""A speed log against a reference log: how large its errors are, and whether its own bands hold them."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

from flow.errors import DataError
from flow.reference import Reference
from flow.series import Truth
from flow.speedlog import SpeedLog
from flow.timeshift import TimeShift, find_time_shift

Array: TypeAlias = NDArray[np.float64]

_BAND_95 = float(norm.ppf(0.975))
_BAND_50 = float(norm.ppf(0.75))
_BLOCKS = 20
_LOOSEST_SCALE_SIGMA = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class AxisAccuracy:
    """Errors (log minus reference) along one level axis.

    ``scale_error`` is the slope of log on reference less one (0.01: the log over-reads by 1 %), with its
    one-sigma; both are None where the reference varies too little to tell. ``share_95`` and ``share_50`` are
    the shares of rows whose error lies inside 1.96 and 0.67 of their own sigma. ``drift_m`` is the error
    integrated over the compared rows.
    """

    rms_m_s: float
    bias_m_s: float
    scale_error: float | None
    scale_error_sigma: float | None
    share_95: float
    share_50: float
    drift_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HeightAccuracy:
    """Errors of the height, log minus reference, over ``rows`` rows."""

    rows: int
    rms_m: float
    bias_m: float
    share_95: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """What :func:`compare` found.

    ``rows`` of the log, of which ``rows_usable`` give a velocity, of which the reference covers
    ``rows_compared``, in all ``compared_s`` long and ``distance_m`` far over the ground by the reference.
    ``drift_share`` is the length of the horizontal drift over that distance; None where the reference hardly
    moved.
    ``log time + time_shift.shift_s = reference time``.
    """

    rows: int
    rows_usable: int
    rows_compared: int
    compared_s: float
    distance_m: float
    forward: AxisAccuracy
    right: AxisAccuracy
    down: AxisAccuracy
    height: HeightAccuracy | None
    drift_share: float | None
    time_shift: TimeShift | None
    aligned: bool

    def as_dict(self) -> dict[str, Any]:
        """Give the comparison as plain values, for JSON."""
        return dataclasses.asdict(self)


def compare(log: SpeedLog, reference: Truth, *, align: bool = False) -> Comparison:
    """Compare a speed log with a reference log of the same flight.

    A row's velocity is the mean over its interval: the reference, linear between its samples, is averaged
    over the same interval. Nothing is extrapolated, nor interpolated across a gap in the reference.

    Parameters
    ----------
    log
        What was measured.
    reference
        What it is held against, on the gyro clock.
    align
        Whether the time shift found between the two is taken out first; it is reported either way.

    Raises
    ------
    DataError
        No row of the log gives a velocity, the two do not overlap in time, or ``align`` is asked for and the
        motion cannot tell the shift.
    """
    if not log.usable.any():
        raise DataError("no row of the speed log gives a velocity; there is nothing to compare")
    known = Reference(reference)
    shift = find_time_shift(log, known)
    if align and shift is None:
        raise DataError("the motion cannot tell the time shift between the logs; compare without aligning")
    shift_s = shift.shift_s if align and shift is not None else 0.0
    time_s = log.time_s + shift_s
    truth = known.mean_velocity_m_s(time_s, log.interval_s)
    rows = log.usable & ~np.isnan(truth[:, 0])
    if not rows.any():
        spans = (
            f"{log.time_s[0]:.3f} to {log.time_s[-1]:.3f} s",
            f"{known.first_s:.3f} to {known.last_s:.3f} s",
        )
        raise DataError(f"the speed log ({spans[0]}) and the reference ({spans[1]}) share no covered row")
    error = log.velocity_m_s[rows] - truth[rows]
    interval = log.interval_s[rows]
    distance_m = float(np.sum(np.hypot(truth[rows, 0], truth[rows, 1]) * interval))
    axes = [_axis(error[:, i], log.sigma_m_s[rows, i], truth[rows, i], interval) for i in range(3)]
    drift_m = float(np.hypot(axes[0].drift_m, axes[1].drift_m))
    return Comparison(
        rows=len(log.time_s),
        rows_usable=int(log.usable.sum()),
        rows_compared=int(rows.sum()),
        compared_s=float(interval.sum()),
        distance_m=distance_m,
        forward=axes[0],
        right=axes[1],
        down=axes[2],
        height=_height(log, known.height_m(time_s)),
        drift_share=drift_m / distance_m if distance_m > 0.1 else None,
        time_shift=shift,
        aligned=align,
    )


def _axis(error: Array, sigma: Array, truth: Array, interval: Array) -> AxisAccuracy:
    scale = _scale_error(error, truth)
    return AxisAccuracy(
        rms_m_s=float(np.sqrt(np.mean(error**2))),
        bias_m_s=float(np.mean(error)),
        scale_error=None if scale is None else scale[0],
        scale_error_sigma=None if scale is None else scale[1],
        share_95=float(np.mean(np.abs(error) <= _BAND_95 * sigma)),
        share_50=float(np.mean(np.abs(error) <= _BAND_50 * sigma)),
        drift_m=float(np.sum(error * interval)),
    )


def _height(log: SpeedLog, truth: Array) -> HeightAccuracy | None:
    rows = ~np.isnan(log.height_m) & ~np.isnan(truth)
    if not rows.any():
        return None
    error, sigma = log.height_m[rows] - truth[rows], log.height_sigma_m[rows]
    banded = ~np.isnan(sigma)
    return HeightAccuracy(
        rows=int(rows.sum()),
        rms_m=float(np.sqrt(np.mean(error**2))),
        bias_m=float(np.mean(error)),
        share_95=float(np.mean(np.abs(error[banded]) <= _BAND_95 * sigma[banded])) if banded.any() else None,
    )


def _scale_error(error: Array, truth: Array) -> tuple[float, float] | None:
    """Fit ``error = scale error * truth + constant``; value and one-sigma, None where it is not determined.

    Consecutive errors are not independent, so the sigma comes from leaving out one block of rows after the
    other (the block jackknife of Künsch 1989, Annals of Statistics 17(3) 1217).
    """
    blocks = min(_BLOCKS, len(error) // 5)
    if blocks < 5 or np.ptp(truth) == 0:
        return None
    block = np.arange(len(error)) * blocks // len(error)
    slopes = np.array([_slope(error[block != b], truth[block != b]) for b in range(blocks)])
    sigma = float(np.sqrt((blocks - 1) / blocks * np.sum((slopes - slopes.mean()) ** 2)))
    if not sigma <= _LOOSEST_SCALE_SIGMA:
        return None
    return _slope(error, truth), sigma


def _slope(y: Array, x: Array) -> float:
    centred = x - x.mean()
    spread = float(centred @ centred)
    return float(centred @ y) / spread if spread > 0 else float("nan")
