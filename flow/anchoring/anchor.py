"""An anchor, and the moment that is held against it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.anchoring.turn import Turn
from flow.anchoring.view import Shot, across, small_turn
from flow.tracks import Picture

Array: TypeAlias = NDArray[np.float64]


@dataclass(slots=True, kw_only=True)
class Anchor:
    """A picture, and what is known of the ground and of the body when it was taken."""

    number: int
    picture: Picture
    shot: Shot
    down: Array  # (3,), camera axes, of all pictures
    plane: Array  # (3,), down of its own picture: what slope is meant against
    distance_m: float
    distance_sigma_m: float
    tilt_sigma_rad: float  # of the plane
    R_start_camera: Array
    origin_m: Array  # (3,), body in the start's frame
    origin_m2: Array  # (3, 3), without what scales the whole path and what the slope adds up to
    sharpness: float
    since_s: float
    turn: Turn
    heard: int = 1
    origin_by_slope_m: Array = field(default_factory=lambda: np.zeros((3, 2)))  # one-sigma columns, as in Way
    nearer_by_slope: Array = field(default_factory=lambda: np.zeros(2))  # share of the distance a radian of slope
    compared: bool = False  # has been registered against

    @property
    def sloping(self) -> Array:
        """Normal of the plane (3,), camera axes, as images and tilt together tell it."""
        normal = self.plane + across(self.plane) @ self.turn.true_rad[3:]
        return np.asarray(normal / np.linalg.norm(normal))

    def place(self, moved: Array) -> Array:
        """Position (3,) in the start's frame of a body that has moved by D."""
        return np.asarray(self.origin_m + self.R_start_camera @ moved * self.distance_m)

    def turned(self, now: Moment) -> Array:
        """Turn (3, 3) of the camera from now to the anchor."""
        return np.asarray(small_turn(self.turn.true_rad[:3]) @ self.shot.middle.T @ now.shot.middle)


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """What the estimator knows of a picture that has just been measured.

    ``velocity_m_s`` (3,) in level axes over ``interval_s`` before it, with ``covariance_m2_s2`` of what is new in the row and
    ``carried_m2_s2`` of what goes on from row to row (:mod:`flow.anchoring.path_errors`); ``R_level_still`` turns
    from the axes that do not rotate into these level axes, the third of which is down; ``turned_rad`` is the heading in
    them at the picture before; ``distance_m`` of the camera to the plane; ``tilt_sigma_rad`` of the plane's slope;
    ``common_px`` is the one-sigma by which a codec shifts a whole picture; ``air_scale_sigma`` that of all distances
    by the air's temperature, as a share.
    """

    picture: Picture
    shot: Shot
    interval_s: float
    velocity_m_s: Array
    covariance_m2_s2: Array
    carried_m2_s2: Array
    R_level_still: Array
    turned_rad: float
    distance_m: float
    distance_sigma_m: float
    tilt_sigma_rad: float
    common_px: float
    air_scale_sigma: float = 0.0

    @property
    def down_still(self) -> Array:
        """Down (3,) in the axes that do not rotate."""
        return np.asarray(self.R_level_still[2])
