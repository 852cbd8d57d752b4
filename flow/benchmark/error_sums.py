"""Errors of speed rows as sums, so that runs made apart can be pooled: no rows need to be kept."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields
from statistics import NormalDist
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.accuracy.reference import Reference
from flow.row import LevelVelocity, SpeedRow

Array: TypeAlias = NDArray[np.float64]

_BAND_95 = NormalDist().inv_cdf(0.975)
_LEAST_DISTANCE_M = 0.05  # drift per distance means nothing where nothing moves
_LEAST_SPREAD_M_S = 0.02  # nor does a scale where the speed hardly changes


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorSums:
    """Sums over the rows of one run, or of several: ``a + b`` pools them.

    Errors are measured less true, horizontal, m/s. ``rows`` were due, ``compared`` of them gave a velocity that the
    reference covers; ``inside`` counts the errors of both axes within their own 95 % band, ``claimed`` sums the
    variances the rows claim, of both axes. ``truth_spread`` and ``truth_error`` are the sums of squares of the true
    forward speed and of its products with the error, both about the means of each run. ``drift_m2`` and
    ``distance_m2`` sum the squares of each run's drift and distance.
    """

    runs: int
    rows: int
    compared: int
    forward: float
    right: float
    forward_square: float
    right_square: float
    claimed: float
    inside: int
    truth_spread: float
    truth_error: float
    drift_m2: float
    distance_m2: float

    def __add__(self, other: ErrorSums) -> ErrorSums:
        """Pool with the runs of another."""
        return ErrorSums(**{f.name: getattr(self, f.name) + getattr(other, f.name) for f in fields(self)})

    @property
    def usable(self) -> float:
        """Share of rows that give a velocity."""
        return self.compared / self.rows if self.rows else math.nan

    @property
    def forward_rms_m_s(self) -> float:
        """RMS along the flight."""
        return math.sqrt(self._mean(self.forward_square))

    @property
    def right_rms_m_s(self) -> float:
        """RMS across the flight."""
        return math.sqrt(self._mean(self.right_square))

    @property
    def rms_m_s(self) -> float:
        """RMS of one axis: the root of the mean square of both."""
        return math.sqrt(self._mean(self.forward_square + self.right_square) / 2)

    @property
    def claimed_m_s(self) -> float:
        """One-sigma of one axis that the rows claim, RMS."""
        return math.sqrt(self._mean(self.claimed) / 2)

    @property
    def bias_m_s(self) -> float:
        """Mean error along the flight."""
        return self._mean(self.forward)

    @property
    def cover95(self) -> float:
        """Share of errors inside their own 95 % band."""
        return self._mean(self.inside) / 2

    @property
    def scale_error(self) -> float:
        """Slope of the error on the true forward speed, a constant for each run aside (0.01: reads 1 % too fast).

        NaN where the speed varies too little to tell.
        """
        spread = math.sqrt(self._mean(self.truth_spread))
        return self.truth_error / self.truth_spread if spread > _LEAST_SPREAD_M_S else math.nan

    @property
    def drift_per_distance(self) -> float:
        """RMS horizontal drift of a run over its RMS distance; NaN where it hardly moved."""
        moved = self.runs > 0 and math.sqrt(self.distance_m2 / self.runs) > _LEAST_DISTANCE_M
        return math.sqrt(self.drift_m2 / self.distance_m2) if moved else math.nan

    def _mean(self, total: float) -> float:
        return total / self.compared if self.compared else math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class ImageSums:
    """Errors of rows whose logs had none, so that all of the error is the picture's; ``a + b`` pools runs.

    ``image_rows`` rows of ``image_due`` gave a velocity; sums over them of the squared errors, both axes, in pixels of
    motion from frame to frame, and of the Cramer-Rao bound on those.
    """

    image_due: int
    image_rows: int
    image_square_px2: float
    bound_square_px2: float

    def __add__(self, other: ImageSums) -> ImageSums:
        """Pool with the runs of another."""
        return ImageSums(**{f.name: getattr(self, f.name) + getattr(other, f.name) for f in fields(self)})

    @property
    def image_rms_px(self) -> float:
        """RMS of one axis, px."""
        return math.sqrt(self.image_square_px2 / 2 / self.image_rows) if self.image_rows else math.nan

    @property
    def over_bound(self) -> float:
        """RMS error over the bound's."""
        return math.sqrt(self.image_square_px2 / self.bound_square_px2) if self.image_rows else math.nan


def sum_image_errors(sums: ErrorSums, px_per_m_s: float, bound_m2_s2: Array) -> ImageSums:
    """Turn the sums of a run without errors in its logs into those of its picture.

    ``px_per_m_s`` is how far 1 m/s moves the picture from frame to frame, ``bound_m2_s2`` (2,) the mean Cramer-Rao bound
    on the variance of a row, forward and right.
    """
    square = px_per_m_s**2
    return ImageSums(
        image_due=sums.rows,
        image_rows=sums.compared,
        image_square_px2=(sums.forward_square + sums.right_square) * square,
        bound_square_px2=sums.compared * float(bound_m2_s2.sum()) * square,
    )


def sum_errors(rows: Sequence[SpeedRow], reference: Reference) -> ErrorSums:
    """Sum the errors of one run's rows; those that the reference does not cover are left out altogether."""
    time_s, interval_s = np.array([row.time_s for row in rows]), np.array([row.interval_s for row in rows])
    truth = reference.mean_velocity_m_s(time_s, interval_s)[:, :2]
    given = np.array([isinstance(row.velocity, LevelVelocity) for row in rows], bool)
    covered = ~np.isnan(truth[:, 0])
    at = np.flatnonzero(given & covered)
    velocities = [v for k in at.tolist() if isinstance(v := rows[k].velocity, LevelVelocity)]
    measured = np.array([v.vector_m_s[:2] for v in velocities]).reshape(-1, 2)
    sigma = np.array([v.sigma_m_s[:2] for v in velocities]).reshape(-1, 2)
    truth, interval_s = truth[at], interval_s[at]
    error = measured - truth
    spread, about = _about_mean(truth[:, 0]), _about_mean(error[:, 0])
    drift = interval_s @ error
    return ErrorSums(
        runs=1,
        rows=int(covered.sum()),
        compared=len(at),
        forward=float(error[:, 0].sum()),
        right=float(error[:, 1].sum()),
        forward_square=float(error[:, 0] @ error[:, 0]),
        right_square=float(error[:, 1] @ error[:, 1]),
        claimed=float(np.square(sigma).sum()),
        inside=int((np.abs(error) <= _BAND_95 * sigma).sum()),
        truth_spread=float(spread @ spread),
        truth_error=float(spread @ about),
        drift_m2=float(drift @ drift),
        distance_m2=float(np.hypot(*truth.T) @ interval_s) ** 2,
    )


def _about_mean(values: Array) -> Array:
    return values - values.mean() if len(values) else values
