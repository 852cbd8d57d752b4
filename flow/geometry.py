"""One pair of frames in space and time: which way each pixel looked, when, and from where."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.camera import Lens
from flow.module import Module
from flow.rotation import RotationLog
from flow.tracks import Matches
from flow.velocity import PairGeometry

Array: TypeAlias = NDArray[np.float64]

_KNOTS = 17


@dataclass(frozen=True, slots=True, kw_only=True)
class Plane:
    """Level ground in camera axes at the reference time: ``down`` (3,) and the camera's distance to it."""

    down: Array
    distance_m: float


class PairView:
    """A pair of frames whose rotation and ground plane are known.

    Everything is expressed in camera axes at the reference time, the middle of the interval.

    Parameters
    ----------
    lens, module, rotations
        The camera, where it sits, and how the body turned.
    first_s, second_s
        Frame times on the gyro clock (mid-exposure of the middle row).
    plane
        The ground.
    """

    def __init__(
        self, lens: Lens, module: Module, rotations: RotationLog, first_s: float, second_s: float, plane: Plane
    ) -> None:
        self._lens = lens
        self._camera = module.camera
        mounting = module.alignment.R_body_camera.as_matrix()
        self._lever = np.array(module.alignment.camera_position_m) @ mounting
        self.first_s, self.second_s = first_s, second_s
        self.middle_s = 0.5 * (first_s + second_s)
        self.plane = plane
        # One integration for all instants that this pair asks about: the reference, and knots along the rows.
        rows = np.linspace(-0.5, self._camera.height_px - 0.5, _KNOTS if self._camera.readout_s else 2)
        after = self.exposed_after_frame_s(rows)
        times = np.concatenate([[self.middle_s, first_s, second_s], first_s + after, second_s + after])
        turns = rotations.matrices(times)
        turns = (turns[0] @ mounting).T @ turns @ mounting
        self._ends = turns[1:3]
        self._knots = {first_s: turns[3 : 3 + len(rows)], second_s: turns[3 + len(rows) :]}

    def exposed_after_frame_s(self, rows_px: Array) -> Array:
        """Exposure of image rows after the frame's own time, s (rolling shutter; 0 for a global one)."""
        return ((rows_px + 0.5) / self._camera.height_px - 0.5) * self._camera.readout_s

    def predict(self, pixels: Array, velocity_m_s: Array) -> Array:
        """Where points (N, 2) of the first picture will be in the second at a body velocity (3,)."""
        ray, since, lever = self._first(self._lens.rays(pixels), pixels)
        start = velocity_m_s * since[:, None] + lever
        slope = ray @ self.plane.down
        ground = start + ray * ((self.plane.distance_m - start @ self.plane.down) / slope)[:, None]
        seen = pixels
        for _ in range(2 if self._camera.readout_s else 1):
            # The row a point lands on says when it is exposed, and that moves the point.
            turn, since, lever = self._pose(self.second_s, seen)
            direction = _turned(turn.transpose(0, 2, 1), ground - velocity_m_s * since[:, None] - lever)
            with np.errstate(divide="ignore", invalid="ignore"):
                seen = self._lens.pixels(direction[:, :2] / direction[:, 2:])
            seen[~(direction[:, 2] > 0) | ~(slope > 0)] = np.nan
        return seen

    def geometry(self, matches: Matches) -> tuple[PairGeometry, NDArray[np.bool_]]:
        """Equations' input for the matches whose rays exist and meet the ground, and which ones those are."""
        rays0, rays1 = self._lens.rays(matches.first_px), self._lens.rays(matches.second_px)
        first, first_after, first_lever = self._first(rays0, matches.first_px)
        turn, second_after, second_lever = self._pose(self.second_s, matches.second_px)
        second = _turned(turn, _solid(rays1))
        second /= second[:, 2:]
        good = (first @ self.plane.down > 0.15 * np.linalg.norm(first, axis=1)) & np.isfinite(second).all(axis=1)
        per_pixel = self._lens.ray_per_pixel(matches.second_px)
        good &= np.isfinite(per_pixel).all(axis=(1, 2))
        per_pixel = per_pixel[good]
        return PairGeometry(
            first_ray=first[good],
            second_ray=second[good],
            first_s=first_after[good],
            second_s=second_after[good],
            first_lever_m=first_lever[good],
            second_lever_m=second_lever[good],
            down=self.plane.down,
            distance_m=self.plane.distance_m,
            flow=(rays1 - rays0)[good],
            covariance=per_pixel @ matches.covariance_px2[good] @ per_pixel.transpose(0, 2, 1),
        ), good

    def turned_rad(self) -> Array:
        """Rotation vector of the camera over the interval, camera axes at the reference."""
        relative = self._ends[0].T @ self._ends[1]
        axis = np.array(
            [relative[2, 1] - relative[1, 2], relative[0, 2] - relative[2, 0], relative[1, 0] - relative[0, 1]]
        )
        # |axis| = 2 sin(angle); the interval is short, the angle well below a quarter turn.
        sine = 0.5 * np.sqrt(axis @ axis)
        return np.asarray(0.5 * axis * (np.arcsin(sine) / sine if sine > 1e-9 else 1.0))

    def _first(self, rays: Array, pixels: Array) -> tuple[Array, Array, Array]:
        turn, since, lever = self._pose(self.first_s, pixels)
        ray = _turned(turn, _solid(rays))
        with np.errstate(invalid="ignore"):
            ray = ray / ray[:, 2:]
        return ray, since, lever

    def _pose(self, frame_s: float, pixels: Array) -> tuple[Array, Array, Array]:
        """For each pixel: camera at its exposure to camera at the reference, time since the reference, L."""
        rows = np.nan_to_num(pixels[:, 1], nan=0.5 * self._camera.height_px)
        knots = self._knots[frame_s]
        # Chords between knots a millisecond apart: off the arc by 1e-6 rad at 3 rad/s.
        place = (rows + 0.5) * ((len(knots) - 1) / self._camera.height_px)
        before = np.clip(place.astype(int), 0, len(knots) - 2)
        start = knots[before]
        turn = start + (place - before)[:, None, None] * (knots[before + 1] - start)
        since = frame_s - self.middle_s + self.exposed_after_frame_s(rows)
        return turn, since, turn @ self._lever - self._lever


def _turned(turns: Array, vectors: Array) -> Array:
    return np.asarray((turns @ vectors[:, :, None])[:, :, 0])


def _solid(rays: Array) -> Array:
    return np.column_stack([rays, np.ones(len(rays))])
