"""What a picture shows against the anchor."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Array: TypeAlias = NDArray[np.float64]

LAG_S = 1.0  # prior: s, from key picture to key picture of common settings (common practice)
"""How long a codec shifts or bends what pictures show the same way."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sight:
    """How far the body has moved and turned since the anchor, by the two pictures alone: no gyro had a say in it.

    A small shift and a small turn look much alike, and only the picture's corners tell them apart: so the errors of both
    belong together, and are new in every picture. The anchor's own picture adds as much again, the same in every sight.

    Parameters
    ----------
    time_s
        Of the picture, gyro clock.
    anchor
        The anchor's number; its own picture has a sight too, of no way and no turn.
    way_m
        (3,), how far the body has moved, body axes at the anchor.
    R_anchor_now
        (3, 3), how it has turned: from body axes now to those at the anchor.
    covariance
        (6, 6) of the way, m, and of a small turn, rad, both in body axes at the anchor: what is new in every picture.
    by_slope
        (6, 2), what way and turn would gain if the ground sloped by a radian against the plane that the anchor was taken with,
        which they are given for: the same slope is behind all sights of an anchor.
    slope_axes
        (3, 2), along which down would gain then, body axes at the anchor.
    tilt_sigma_rad
        One-sigma of the tilt that the plane was taken with.
    lasting
        (6, 6) of what a codec adds and pictures share for a second or so.
    height_m, distance_m
        Height of the body at the anchor, and of the camera above the ground's plane, by which the way was scaled.
    """

    time_s: float
    anchor: int
    way_m: Array
    R_anchor_now: Array
    covariance: Array
    by_slope: Array
    slope_axes: Array
    tilt_sigma_rad: float
    lasting: Array
    height_m: float
    distance_m: float
