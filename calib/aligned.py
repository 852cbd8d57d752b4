"""What the fit of an alignment gives."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from calib.turn_model import Unknowns

Array: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class AlignmentFit:
    """Result of :func:`calib.alignment_fit.fit_alignment`.

    Attributes
    ----------
    unknowns, covariance
        The values, and the covariance of those that were free, in the order of ``turn_model.UNKNOWNS``.
    information
        Inverse of what the covariance would be if all matches erred independently.
    squares
        (P, T) squared residuals over the covariance of each match, known up to a common factor; zero where there is none.
    used
        Which matches (P, T) agree.
    known
        Which matches (P, T) there are.
    residual_px
        (P,) RMS over the matches used.
    typical_px
        Median over all matches known.
    relief
        One-sigma of the scene's depth about its plane, relative.
    missing_rad
        (P, 3) turn that the picture shows beyond the gyro's, camera axes.
    gyro_turn_rad
        (P, 3) turn by the gyro, camera axes; the picture's is the sum of both.
    halves_differ
        By how many sigmas the first and the second half of the recording disagree, for each unknown.
    gyro_scale, gyro_scale_sigma
        Turn by the gyro over turn by the picture, all else free: 1 but for an error of the gyro's scale or the focal length.
        1 and infinity of a rough fit, and where the caller chose what is ``free``.
    """

    unknowns: Unknowns
    covariance: Array
    information: Array
    squares: Array
    used: NDArray[np.bool_]
    known: NDArray[np.bool_]
    residual_px: Array
    typical_px: float
    relief: float
    missing_rad: Array
    gyro_turn_rad: Array
    halves_differ: Array
    gyro_scale: float
    gyro_scale_sigma: float

    @property
    def sigma(self) -> Array:
        """One-sigma of each unknown."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))
