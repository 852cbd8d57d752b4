"""The image motion that a rotation of the body makes, to first order in it: Longuet-Higgins and Prazdny 1980, any lens."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.camera import Lens
from flow.module import Module

Array: TypeAlias = NDArray[np.float64]

_CELLS = 24  # size: cells, along the longer side of the image
_SMALL_RAD = 1e-3  # size: rad, the step of a numerical derivative


class RotationField:
    """How far a rotation of the body moves each part of the image; the nearest of a grid of places answers.

    Parameters
    ----------
    module
        Its lens and mounting.
    """

    def __init__(self, module: Module) -> None:
        camera = module.camera
        lens = Lens(camera)
        self._cell_px = max(camera.width_px, camera.height_px) / _CELLS
        x = np.arange(0, camera.width_px + self._cell_px, self._cell_px)
        y = np.arange(0, camera.height_px + self._cell_px, self._cell_px)
        at = np.stack(np.meshgrid(x, y), axis=-1)
        rays = lens.rays(at.reshape(-1, 2))
        solid = np.column_stack([rays, np.ones(len(rays))])
        R_camera_body = module.alignment.R_body_camera.as_matrix().T
        moved = []
        for axis in R_camera_body.T:  # body x, y, z in camera axes: the ground turns the other way
            ahead, behind = (solid - sign * _SMALL_RAD * np.cross(axis, solid) for sign in (1, -1))
            ends = [lens.pixels(ray[:, :2] / ray[:, 2:]) for ray in (ahead, behind)]
            moved.append((ends[0] - ends[1]) / (2 * _SMALL_RAD))
        grid = np.stack(moved, axis=-1).reshape(*at.shape[:2], 2, 3)
        self._px_per_rad = np.nan_to_num(grid, nan=0.0)

    def motion(self, points_px: Array, turn_rad: Array) -> Array:
        """Give the motion (..., 2), px, of points (..., 2) when the body turns by ``turn_rad`` (..., 3)."""
        rows, columns = self._px_per_rad.shape[:2]
        x, y = (np.nan_to_num(points_px) / self._cell_px + 0.5).astype(int).T
        cells = self._px_per_rad[np.clip(y, 0, rows - 1).T, np.clip(x, 0, columns - 1).T]
        return np.asarray(np.einsum("...ij,...j->...i", cells, turn_rad))
