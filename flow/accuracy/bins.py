"""Errors of a speed log by height and by speed: where it is good, and where it is not."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.accuracy.jackknife import mean, ratio
from flow.accuracy.pairs import Pairs

Array: TypeAlias = NDArray[np.float64]

BAND_95 = 1.959963984540054  # of the normal distribution
_MOST_BINS = 8
_LEAST_HEIGHT_STEP_M = 0.05
_LEAST_SPEED_STEP_M_S = 0.05
_LOOSEST_SCALE_SIGMA = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class BinAxis:
    """Errors along one axis in a bin; sigmas are None where its rows are too few to tell."""

    rms_m_s: float
    bias_m_s: float
    bias_sigma_m_s: float | None
    share_95: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Bin:
    """Rows from ``low`` (included) to ``high``: metres of height or metres a second of level speed.

    ``scale_error`` is the level error along the motion over the level speed, by least squares through zero
    (0.01: the log over-reads by 1 %); None where its one-sigma is above 10 % or unknown.
    """

    low: float
    high: float
    rows: int
    forward: BinAxis
    right: BinAxis
    down: BinAxis
    scale_error: float | None
    scale_error_sigma: float | None


def by_height(pairs: Pairs) -> list[Bin]:
    """Bin the rows by height above the ground; rows without one are left out."""
    return _bins(pairs, pairs.height_m, _LEAST_HEIGHT_STEP_M)


def by_speed(pairs: Pairs) -> list[Bin]:
    """Bin the rows by level speed, as the reference gives it."""
    return _bins(pairs, pairs.speed_m_s, _LEAST_SPEED_STEP_M_S)


def _bins(pairs: Pairs, value: Array, least_step: float) -> list[Bin]:
    known = ~np.isnan(value)
    if not known.any():
        return []
    step = max(least_step, _round_step(float(np.ptp(value[known])) / _MOST_BINS))
    place = np.floor(value / step + 1e-9)
    first, highest = np.nanmin(place), np.ceil(np.nanmax(value) / step - 1e-9) - 1
    place = np.minimum(place, max(first, highest))  # a value on the last edge is no bin of its own
    return [_bin(pairs, place == k, k * step, (k + 1) * step) for k in np.unique(place[known])]


def _round_step(least: float) -> float:
    """Round up to 1, 2 or 5 times a power of ten."""
    if least <= 0:
        return 0.0
    decade = 10.0 ** math.floor(math.log10(least))
    return next((digit * decade for digit in (1, 2, 5) if digit * decade >= least), 10 * decade)


def _bin(pairs: Pairs, rows: NDArray[np.bool_], low: float, high: float) -> Bin:
    error, sigma, truth = pairs.error_m_s[rows], pairs.sigma_m_s[rows], pairs.truth_m_s[rows, :2]
    scale = ratio(np.sum(error[:, :2] * truth, axis=1), np.sum(truth**2, axis=1))
    told = scale.sigma is not None and scale.sigma <= _LOOSEST_SCALE_SIGMA
    axes = [_axis(error[:, k], sigma[:, k]) for k in range(3)]
    return Bin(
        low=round(float(low), 9),
        high=round(float(high), 9),
        rows=int(rows.sum()),
        forward=axes[0],
        right=axes[1],
        down=axes[2],
        scale_error=scale.value if told else None,
        scale_error_sigma=scale.sigma if told else None,
    )


def _axis(error: Array, sigma: Array) -> BinAxis:
    bias = mean(error)
    return BinAxis(
        rms_m_s=float(np.sqrt(np.mean(error**2))),
        bias_m_s=bias.value,
        bias_sigma_m_s=bias.sigma,
        share_95=float(np.mean(np.abs(error) <= BAND_95 * sigma)),
    )
