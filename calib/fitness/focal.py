"""Focal length and gyro scale by how the picture turns.

About the optical axis the picture turns as the gyro says whatever the focal length; about the others the curved part of
the motion grows with it. So their ratios tell the one from the other.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from calib.fitness.hypotheses import Cause
from calib.fitness.motion import pair_motions
from calib.fitness.placing import Placed, Placing
from calib.fitness.slopes import slope
from calib.turn_model import TurnModel

Array: TypeAlias = NDArray[np.float64]

_STEP = 0.02
_AXES_DIFFER = 0.005  # one-sigma by which the axes of a calibrated MEMS gyro differ in scale (common practice)
_GYRO_SCALE = 0.01  # one-sigma of its scale where the flight does not tell
_LEAST_SENSITIVITY = 0.1
_SURE = 4.0  # sigmas
_ROLLING = 0.003  # of the ratio about the optical axis: what a speed that changes within a pair leaves on rolling rows


@dataclass(frozen=True, slots=True, kw_only=True)
class FocalFound:
    """Relative errors: the module file's focal length is ``focal`` too long, the gyro reads ``gyro_scale`` too much."""

    focal: float
    focal_sigma: float
    gyro_scale: float
    gyro_scale_sigma: float

    @property
    def lens_off(self) -> bool:
        """Whether the focal length is off for sure."""
        return abs(self.focal) > _SURE * self.focal_sigma

    @property
    def gyro_off(self) -> bool:
        """Whether the gyro's scale is off for sure."""
        return abs(self.gyro_scale) > _SURE * self.gyro_scale_sigma

    def then(self, rest: FocalFound | None) -> FocalFound:
        """Give the sum of what was put right where it was off, and what was found after that."""
        if rest is None:
            return self
        first = 1 + self.focal if self.lens_off else 1.0
        scale = 1 + self.gyro_scale if self.gyro_off else 1.0
        return FocalFound(
            focal=first * (1 + rest.focal) - 1,
            focal_sigma=rest.focal_sigma,
            gyro_scale=scale * (1 + rest.gyro_scale) - 1,
            gyro_scale_sigma=rest.gyro_scale_sigma,
        )


def focal_of(cause: Cause) -> FocalFound | None:
    """Give the focal length that a cause found; None of another cause."""
    if cause.figure != "focal length":
        return None
    return FocalFound(
        focal=float(np.expm1(-cause.difference[0])),
        focal_sigma=float(np.hypot(cause.sigma[0], _AXES_DIFFER)),
        gyro_scale=0.0,
        gyro_scale_sigma=_GYRO_SCALE,
    )


def find_focal(placing: Placing) -> FocalFound | None:
    """Find both; None where turning does not tell the focal length (a narrow lens, or no turning about x and y)."""
    weight = 1 / np.square(placing.turn_ratio_sigma[:2])
    across = float(weight @ placing.turn_ratio[:2] / weight.sum())
    across_sigma = float(1 / np.sqrt(weight.sum()))
    about, about_sigma = float(placing.turn_ratio[2]), float(np.hypot(placing.turn_ratio_sigma[2], _ROLLING))
    if about_sigma > _GYRO_SCALE:
        about, about_sigma = 0.0, _GYRO_SCALE
    grows = float(np.mean([_sensitivity(placed) for placed in placing.parts]))
    if grows < _LEAST_SENSITIVITY:
        return None
    sigma = float(np.hypot(np.hypot(across_sigma, about_sigma), _AXES_DIFFER))
    return FocalFound(
        focal=(across - about) / grows,
        focal_sigma=sigma / grows,
        gyro_scale=-about,
        gyro_scale_sigma=about_sigma,
    )


def _sensitivity(placed: Placed) -> float:
    """Tell how far the ratio about x and y grows with a longer focal length in the file, distortion terms as they are."""
    gyro_turn, middle_s = placed.fit.gyro_turn_rad, placed.pairs.middle_s
    camera = placed.model.camera
    ratios = []
    for stretch in (1 - _STEP, 1 + _STEP):
        other = camera.model_copy(update={"fx_px": camera.fx_px * stretch, "fy_px": camera.fy_px * stretch})
        model = TurnModel(placed.pairs, placed.stretch.gyro, other)
        left = pair_motions(model.equations(placed.fit.unknowns), model.covariance, model.known)
        ratios.append([slope(left.turn_rad[:, k], gyro_turn[:, k], middle_s)[0] for k in range(2)])
    return float(np.mean(np.diff(ratios, axis=0)) / (2 * _STEP))
