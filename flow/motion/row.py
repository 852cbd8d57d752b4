"""A velocity measured as the filter takes it: its errors parted by how they go on from pair to pair."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.effects import Effects, covariance_of
from flow.error_sources import SOURCES, ErrorSource, Lasts
from flow.pair.geometry import PairView
from flow.pair.shared_errors import leaning_axes
from flow.tilt import Tilt

Array: TypeAlias = NDArray[np.float64]

# prior: of the variance, rows of rendered flights through H.264 and MJPEG are differences of frames but for an eighth
FRAME_SHARE = 0.44
"""Share of a pair's image variance that each of its two frames has; the rest is new in every pair."""
SAME_FRAME_S = 2e-6  # size: s, of rounding
"""Times that differ by less are those of the same frame."""

# Height and tilt are wrong for seconds, and so they are the same in many rows; relief or light is whatever comes into view.
_LASTING = frozenset(s for s in SOURCES if s.lasts is Lasts.FLIGHT) | {ErrorSource.HEIGHT, ErrorSource.TILT}


@dataclass(frozen=True, slots=True, kw_only=True)
class VelocityRow:
    """A velocity measured, the mean between two frames, local inertial frame.

    ``velocity_m_s`` (3,); ``image_m2_s2`` (3, 3) its covariance by the errors of its two frames; ``new_m2_s2`` that by what else
    is new in this pair; ``lasting_m2_s2`` that by what goes on from pair to pair.
    """

    first_s: float
    second_s: float
    velocity_m_s: Array
    image_m2_s2: Array
    new_m2_s2: Array
    lasting_m2_s2: Array


def velocity_row(
    view: PairView,
    velocity_m_s: Array,
    R_level_camera: Array,
    R_body_camera: Array,
    tilt: Tilt,
    effects: Effects,
) -> VelocityRow:
    """Turn a solution into the filter's axes.

    Parameters
    ----------
    view
        The pair.
    velocity_m_s
        (3,), camera axes.
    R_level_camera, R_body_camera, tilt
        (3, 3) each, and the tilt that they come from.
    effects
        One-sigma effects of each source, level axes.
    """
    R = view.R_still_camera @ R_level_camera.T
    # Level axes lean with the tilt; the filter's do not, only the plane does that the velocity was scaled by.
    axes = leaning_axes(R_body_camera.T, view.plane.down, velocity_m_s) * tilt.sigma_rad
    tilted = R @ effects.tilt - view.R_still_camera @ axes @ R_level_camera.T[:, :2]
    lasting = [tilted if s is ErrorSource.TILT else R @ effects[s] for s in SOURCES if s in _LASTING]
    new = [R @ effects[s] for s in SOURCES if s not in _LASTING and s is not ErrorSource.IMAGE]
    return VelocityRow(
        first_s=view.first_s,
        second_s=view.second_s,
        velocity_m_s=view.R_still_camera @ velocity_m_s,
        image_m2_s2=covariance_of(R @ effects.image),
        new_m2_s2=covariance_of(np.hstack(new)),
        lasting_m2_s2=covariance_of(np.hstack(lasting)),
    )
