"""The field of view of a camera that looks down, in the few numbers that an error budget needs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from flow.camera import Lens
from flow.module import Module

Array: TypeAlias = NDArray[np.float64]

_GRID = 19  # places a side
_STEP = 1e-4  # of a ray, for slopes


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """Pairs (forward, right) of a field of view; a place is a distance on the ground per unit of height.

    ``focal_px`` (2,) pixels that a point moves per unit of place; ``spread`` (2,) mean square of the places;
    ``axis_rad`` (2,) lean of the optical axis against body z, toward forward and right; ``image_share`` (2, 2) share
    of the image's x (column 0) and y in forward (row 0) and right; ``length_px`` the picture's side that lies along
    forward; ``extent`` (2,) places from one edge to the other, infinite where a fisheye sees the horizon. ``by_focal_length``
    (2, 2) is the share of a motion along forward (row 0) and right that a share of fx (column 0) and fy changes, when the
    ground moves by; ``turned_by_focal_length`` the same when the camera turns, and the gyro's turn is taken out.

    Means are weighted as a fit weighs points with one noise a pixel: places where a lens crams more ground into a
    pixel count less. An undistorted pinhole of W x H px has the spread ``(H / f)^2 / 12`` forward, ``(W / f)^2 / 12``
    right.
    """

    focal_px: Array
    spread: Array
    axis_rad: Array
    image_share: Array
    length_px: int
    extent: Array
    by_focal_length: Array
    turned_by_focal_length: Array


def field_of(module: Module) -> Field:
    """Look around through the lens of a module whose body is level."""
    camera, mounting = module.camera, module.alignment.R_body_camera
    size = camera.width_px, camera.height_px
    x, y = np.meshgrid(*((np.arange(_GRID) + 0.5) / _GRID * length for length in size))
    lens, pixels = Lens(camera), np.column_stack([x.ravel(), y.ravel()]) - 0.5
    rays = lens.rays(pixels)
    per_px = lens.ray_per_pixel(rays)
    good = np.isfinite(rays).all(axis=1) & np.isfinite(per_px).all(axis=(1, 2))
    axis = mounting.apply([0.0, 0.0, 1.0])
    upright = Rotation.align_vectors([[0.0, 0.0, 1.0]], [axis])[0] * mounting
    turn = upright.as_matrix()[:2, :2]
    place_per_px = turn @ per_px[good]
    weight = np.asarray(np.linalg.inv(place_per_px @ place_per_px.transpose(0, 2, 1)), np.float64)
    places = rays[good] @ turn.T
    own = weight[:, [0, 1], [0, 1]].mean(axis=0)
    share = np.square(turn)
    cx, cy = camera.cx_px, camera.cy_px
    edges = np.array([[-0.5, cy], [size[0] - 0.5, cy], [cx, -0.5], [cx, size[1] - 0.5]])
    left, right, top, bottom = lens.rays(edges)
    along = int(np.argmax(share[0]))
    spans = np.nan_to_num([np.linalg.norm(right - left), np.linalg.norm(bottom - top)], nan=np.inf)
    return Field(
        focal_px=np.sqrt(own),
        spread=(places * np.einsum("nij,nj->ni", weight, places)).mean(axis=0) / own,
        axis_rad=np.arctan2(axis[:2], axis[2]),
        image_share=share,
        length_px=size[along],
        extent=spans[[along, 1 - along]],
        by_focal_length=np.array(
            [_focal_length_changes(lens, rays[good], turn, weight, e, turning=False) for e in turn]
        ),
        turned_by_focal_length=np.array(
            [_focal_length_changes(lens, rays[good], turn, weight, e, turning=True) for e in turn]
        ),
    )


def _focal_length_changes(lens: Lens, rays: Array, turn: Array, weight: Array, along: Array, *, turning: bool) -> Array:
    """Change of a motion along an image direction (2,) by a share of fx and fy, (2,): see ``by_focal_length``."""
    motion = np.tile(along, (len(rays), 1))
    if turning:
        motion = motion + rays * (rays @ along)[:, None]
    stretch = lens.ray_per_focal_length(rays)
    ends = [lens.ray_per_focal_length(rays + sign * _STEP * motion) for sign in (1, -1)]
    change = (ends[0] - ends[1]) / (2 * _STEP)
    if turning:
        by_place = rays[:, :, None] * along + (rays @ along)[:, None, None] * np.eye(2)
        change = change - by_place @ stretch
    pulled = (weight @ turn @ change).mean(axis=0)
    axis = turn @ along
    return np.asarray(axis @ pulled / (axis @ weight.mean(axis=0) @ axis))
