"""Where the rays of a camera with rolling rows meet the ground."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.module import Alignment, Camera
from flow.scene.motion import Motion
from flow.scene.optics import RING, pixel_rays
from flow.scene.textures import Tile

Array: TypeAlias = NDArray[np.float64]

_REACH = RING + 1  # one more, for derivatives
_GAUSS = 1 / np.sqrt(12)  # nodes of two-point Gauss-Legendre on an interval of length 1
_SHORTEST_S = 1e-4  # even an instant gets a speed, from this far around it
_GRAZING = 0.035  # cosine from the vertical below which a ray counts as sky (88 degrees)


class CameraPath:
    """Where the camera is at any time: a body motion and a mounting."""

    def __init__(self, motion: Motion, alignment: Alignment) -> None:
        self.motion = motion
        self._mounting = alignment.R_body_camera
        self._arm = np.array(alignment.camera_position_m)

    def pose(self, time_s: Array) -> tuple[Array, Array]:
        """Position (N, 3) in the level frame, m, and ``R_level_camera`` (N, 3, 3), at N times."""
        position, R_level_body = self.motion.pose(time_s)
        return position + R_level_body.apply(self._arm), (R_level_body * self._mounting).as_matrix()


@dataclass(frozen=True, slots=True, kw_only=True)
class Cast:
    """Ground seen by the pixels of the picture and a ring around it.

    ``ground_m``, ``along_u``, ``along_v`` and ``per_second`` are (2, rows, columns): north and east of
    ``base_m`` on average over an exposure, and how that changes from column to column, from row to row (at
    one time) and in a second. ``beyond`` marks the sky; ``camera_m`` (rows, 3) is the camera, its north and
    east from ``base_m`` too; ``row_s`` (rows,) is the middle of each row's exposure, in time of the motion.
    """

    base_m: Array
    row_s: Array
    ground_m: Tile
    along_u: Tile
    along_v: Tile
    per_second: Tile
    beyond: NDArray[np.bool_]
    camera_m: Array

    def wrapped(self, period_m: float) -> Tile:
        """``ground_m`` in absolute axes, less whole periods."""
        home = (self.base_m - period_m * np.floor(self.base_m / period_m)).astype(np.float32)
        at = self.ground_m + home[:, None, None]
        at -= np.float32(period_m) * np.floor(at / np.float32(period_m))
        return np.asarray(at, np.float32)


class Caster:
    """Casts the rays of one camera.

    Attributes
    ----------
    dark
        Pixels, ring included, that the lens leaves without a ray.
    """

    def __init__(self, camera: Camera) -> None:
        h = camera.height_px
        rays, missing = pixel_rays(camera, _REACH)
        self.dark: NDArray[np.bool_] = missing[1:-1, 1:-1]
        self._x, self._y = rays.astype(np.float32)
        self._length = np.sqrt(1 + self._x**2 + self._y**2)
        self._row_s = ((np.arange(-_REACH, h + _REACH) + 0.5) / h - 0.5) * camera.readout_s
        self._row_step_s = camera.readout_s / h

    def cast(self, path: CameraPath, middle_s: float, length_s: float) -> Cast:
        """Cast one exposure; ``middle_s`` is that of the middle row, in time of the motion."""
        base = path.pose(np.array([middle_s]))[0][0, :2]
        half_s = _GAUSS * max(length_s, _SHORTEST_S)
        early, early_sky, early_m = self._footprint(path, middle_s - half_s, base)
        late, late_sky, late_m = self._footprint(path, middle_s + half_s, base)
        # The mean of two Gauss nodes is the mean over the exposure, exact for a cubic.
        ground = (early + late) * np.float32(0.5)
        per_second = np.ascontiguousarray((late - early)[:, 1:-1, 1:-1]) * np.float32(0.5 / half_s)
        along_u = (ground[:, 1:-1, 2:] - ground[:, 1:-1, :-2]) * np.float32(0.5)
        along_v = (ground[:, 2:, 1:-1] - ground[:, :-2, 1:-1]) * np.float32(0.5)
        along_v -= per_second * np.float32(self._row_step_s)  # rows are seen one after the other
        return Cast(
            base_m=base,
            row_s=middle_s + self._row_s[1:-1],
            ground_m=np.ascontiguousarray(ground[:, 1:-1, 1:-1]),
            along_u=along_u,
            along_v=along_v,
            per_second=per_second,
            beyond=np.asarray(early_sky | late_sky)[1:-1, 1:-1] & ~self.dark,
            camera_m=(early_m + late_m)[1:-1] / 2,
        )

    def _footprint(self, path: CameraPath, time_s: float, base: Array) -> tuple[Tile, NDArray[np.bool_], Array]:
        """Ground (2, rows, columns) from the base, which rays miss it, and the camera at each row."""
        position, R = path.pose(time_s + self._row_s)
        position -= [*base, 0.0]  # single precision serves close to the base
        turn = R.astype(np.float32)[:, :, :, None]
        north, east, down = (turn[:, k, 0] * self._x + turn[:, k, 1] * self._y + turn[:, k, 2] for k in range(3))
        sky: NDArray[np.bool_] = np.asarray(down < np.float32(_GRAZING) * self._length)
        np.copyto(down, 1.0, where=sky)
        reach = (-position[:, 2:]).astype(np.float32) / down
        np.copyto(reach, 0.0, where=sky)
        ground = np.stack([north * reach, east * reach])
        ground += position[:, :2].T[:, :, None].astype(np.float32)
        return ground, sky, position
