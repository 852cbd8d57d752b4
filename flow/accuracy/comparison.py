"""A speed log against a reference log: how large its errors are, and whether its own bands hold them."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from statistics import NormalDist
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.accuracy.bins import BAND_95, Bin, by_height, by_speed
from flow.accuracy.drift import WINDOWS_S, Drift, drift_over
from flow.accuracy.jackknife import mean, slope
from flow.accuracy.pairs import Pairs, pair
from flow.accuracy.reference import Reference
from flow.accuracy.timeshift import TimeShift, find_time_shift
from flow.accuracy.worst import Moment, farthest_outside, largest_errors
from flow.errors import DataError
from flow.series import Truth
from flow.speedlog import SpeedLog

Array: TypeAlias = NDArray[np.float64]

_BAND_50 = NormalDist().inv_cdf(0.75)
_LOOSEST_SCALE_SIGMA = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class AxisAccuracy:
    """Errors (log minus reference) along one level axis.

    ``scale_error`` is the slope of log on reference less one (0.01: the log over-reads by 1 %), with its
    one-sigma; both are None where the reference varies too little to tell. Noise of the reference pulls it
    down, by the share that the noise has in the reference's variance. ``share_95`` and ``share_50`` are the
    shares of rows whose error lies inside 1.96 and 0.67 of their own sigma; ``band_stretch`` is how many times
    as wide the 95 % band would have to be to hold 95 % (None where rows claim a sigma of zero). ``drift_m`` is
    the error integrated over the compared rows. Sigmas are None where too few rows tell them.
    """

    rms_m_s: float
    bias_m_s: float
    bias_sigma_m_s: float | None
    scale_error: float | None
    scale_error_sigma: float | None
    share_95: float
    share_95_sigma: float | None
    share_50: float
    band_stretch: float | None
    drift_m: float

    @property
    def too_narrow(self) -> bool:
        """Whether fewer rows than 95 % are inside their band, beyond what chance explains (two sigma).

        The sigma is that of a share of 95 %, of rows that hang together as these do.
        """
        spread = self.share_95 * (1 - self.share_95)
        chance = 0.0 if self.share_95_sigma is None else self.share_95_sigma * (0.95 * 0.05 / spread) ** 0.5
        return self.share_95 + 2 * chance < 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class HeightAccuracy:
    """Errors of the height, log minus reference, over ``rows`` rows."""

    rows: int
    rms_m: float
    bias_m: float
    share_95: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceFacts:
    """What the reference can tell: its usual step, its gaps, and how far off straight lines between samples are.

    The last is RMS of forward, right, down, and counts as error of the log; None where no three samples follow
    each other.
    """

    step_s: float
    gaps: int
    between_samples_m_s: tuple[float, ...] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """What :func:`compare` found.

    ``rows`` of the log, of which ``rows_usable`` give a velocity, of which the reference covers
    ``rows_compared``, in all ``compared_s`` long and ``distance_m`` far over the ground by the reference.
    ``drift_share`` is the length of the horizontal drift over that distance; None where the reference hardly
    moved. ``drift`` has one entry for windows of 1, 10 and 60 s.
    ``log time + time_shift.shift_s = reference time``.
    The bins of ``by_height_m`` are metres (of the log's own height where ``height_by_reference`` is False),
    those of ``by_speed_m_s`` metres a second. Times are on the log's clock. ``pairs`` are the rows themselves.
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
    drift: tuple[Drift, ...]
    by_height_m: tuple[Bin, ...]
    height_by_reference: bool
    by_speed_m_s: tuple[Bin, ...]
    largest_errors: tuple[Moment, ...]
    farthest_outside: tuple[Moment, ...]
    time_shift: TimeShift | None
    aligned: bool
    reference: ReferenceFacts
    pairs: Pairs

    def as_dict(self) -> dict[str, Any]:
        """Give the comparison as plain values, for JSON; without the rows."""
        whole = _plain({f.name: getattr(self, f.name) for f in dataclasses.fields(self) if f.name != "pairs"})
        assert isinstance(whole, dict)
        return whole


def compare(log: SpeedLog, reference: Truth, *, align: bool = False) -> Comparison:
    """Compare a speed log with a reference log of the same flight, of any rate and with gaps.

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
    known = Reference(reference)
    shift = find_time_shift(log, known) if log.usable.any() else None
    shift_s = shift.shift_s if align and shift is not None else 0.0
    pairs = pair(log, known, shift_s)
    if align and shift is None:
        raise DataError("the time shift between the logs is not observable from this motion; compare without --align")
    distance_m = float(np.sum(pairs.speed_m_s * pairs.interval_s))
    axes = [_axis(pairs, k) for k in range(3)]
    drift_m = float(np.hypot(axes[0].drift_m, axes[1].drift_m))
    between = known.between_m_s
    return Comparison(
        rows=len(log.time_s),
        rows_usable=int(log.usable.sum()),
        rows_compared=len(pairs.time_s),
        compared_s=float(pairs.interval_s.sum()),
        distance_m=distance_m,
        forward=axes[0],
        right=axes[1],
        down=axes[2],
        height=_height(log, known.height_m(log.time_s + shift_s)),
        drift_share=drift_m / distance_m if distance_m > 0.1 else None,
        drift=tuple(drift_over(pairs, window_s) for window_s in WINDOWS_S),
        by_height_m=tuple(by_height(pairs)),
        height_by_reference=pairs.height_by_reference,
        by_speed_m_s=tuple(by_speed(pairs)),
        largest_errors=tuple(largest_errors(pairs)),
        farthest_outside=tuple(farthest_outside(pairs, BAND_95)),
        time_shift=shift,
        aligned=align,
        reference=ReferenceFacts(
            step_s=known.step_s,
            gaps=known.gaps,
            between_samples_m_s=None if np.isnan(between).any() else tuple(between.tolist()),
        ),
        pairs=pairs,
    )


def _axis(pairs: Pairs, k: int) -> AxisAccuracy:
    error, sigma = pairs.error_m_s[:, k], pairs.sigma_m_s[:, k]
    bias, inside = mean(error), mean((np.abs(error) <= BAND_95 * sigma).astype(float))
    scale = _scale_error(error, pairs.truth_m_s[:, k])
    return AxisAccuracy(
        rms_m_s=float(np.sqrt(np.mean(error**2))),
        bias_m_s=bias.value,
        bias_sigma_m_s=bias.sigma,
        scale_error=None if scale is None else scale[0],
        scale_error_sigma=None if scale is None else scale[1],
        share_95=inside.value,
        share_95_sigma=inside.sigma if 0 < inside.value < 1 else None,
        share_50=float(np.mean(np.abs(error) <= _BAND_50 * sigma)),
        band_stretch=float(np.quantile(np.abs(error) / sigma, 0.95)) / BAND_95 if (sigma > 0).all() else None,
        drift_m=float(np.sum(error * pairs.interval_s)),
    )


def _scale_error(error: Array, truth: Array) -> tuple[float, float] | None:
    """Fit ``error = scale error * truth + constant``; value and one-sigma, None where it is not determined."""
    found = slope(error, truth) if np.ptp(truth) > 0 else None
    if found is None or found.sigma is None or found.sigma > _LOOSEST_SCALE_SIGMA:
        return None
    return found.value, found.sigma


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
        share_95=float(np.mean(np.abs(error[banded]) <= BAND_95 * sigma[banded])) if banded.any() else None,
    )


def _plain(value: Any) -> Any:
    """Turn records into dictionaries and tuples into lists."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: _plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {key: _plain(item) for key, item in value.items()}
    return [_plain(item) for item in value] if isinstance(value, tuple) else value
