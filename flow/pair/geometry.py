"""One pair of frames in space and time: which way each pixel looked, when, and from where."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.camera import Lens
from flow.module import Module
from flow.numerics.compiled import compiled
from flow.pair.equations import PairGeometry
from flow.rotation import RotationLog
from flow.tracks import Matches

Array: TypeAlias = NDArray[np.float64]

LONGEST_INTERVAL_S = 0.25  # size: s, beyond, tilt and height in the middle of a pair are a guess
_LEAST_SLOPE = 0.15  # size: cosine, of 81 degrees: beyond, the ground is seen too flat
_KNOTS = 17  # size: knots, chords between them, a millisecond apart, are off the arc by 1e-6 rad at 3 rad/s
# size: rounds and px, of a prediction on rolling rows; the next round would move a point by less
_ROUNDS, _PREDICTED_PX = 8, 0.02


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
    acceleration_m_s2
        (3,) of the body origin, in the axes of ``rotations`` that do not rotate: rows that are exposed one after the
        other see a speed that changes at different values of it.
    """

    def __init__(
        self,
        lens: Lens,
        module: Module,
        rotations: RotationLog,
        first_s: float,
        second_s: float,
        plane: Plane,
        acceleration_m_s2: Array | None = None,
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
        self.R_still_camera = turns[0] @ mounting
        """Turn (3, 3) of the camera at the reference into the axes that do not rotate."""
        self._half = np.zeros(3) if acceleration_m_s2 is None else 0.5 * acceleration_m_s2 @ self.R_still_camera
        turns = self.R_still_camera.T @ turns @ mounting
        self._ends = turns[1:3]
        self._knots = {first_s: turns[3 : 3 + len(rows)], second_s: turns[3 + len(rows) :]}

    def exposed_after_frame_s(self, rows_px: Array) -> Array:
        """Exposure of image rows after the frame's own time, s (rolling shutter; 0 for a global one)."""
        return ((rows_px + 0.5) / self._camera.height_px - 0.5) * self._camera.readout_s

    def first_turn(self) -> Array:
        """Turn (3, 3) of the camera at the first frame's time to the reference."""
        return np.asarray(self._ends[0])

    def second_turns(self) -> Array:
        """Give the turns (K, 3, 3) of the camera, evenly over the rows of the second frame, into axes that do not rotate."""
        return np.asarray(self.R_still_camera @ self._knots[self.second_s])

    def predict(self, pixels: Array, velocity_m_s: Array) -> Array:
        """Where points (N, 2) of the first picture will be in the second at a body velocity (3,)."""
        rays = self._lens.rays(pixels)
        seen_from = turn_rays(rays, *self._turning(self.first_s, pixels))
        ground = meet_ground(*seen_from, velocity_m_s, self.plane.down, self.plane.distance_m)
        seen, moved_px = pixels, 0.0
        for _ in range(_ROUNDS if self._camera.readout_s else 1):
            # The row a point lands on says when it is exposed, and that moves the point: by a share of the last move.
            before, last_px = seen, moved_px
            seen = self._lens.pixels(look_toward(ground, velocity_m_s, *self._turning(self.second_s, seen)))
            moved_px = _farthest(before, seen)
            if moved_px <= _PREDICTED_PX or moved_px * moved_px <= _PREDICTED_PX * last_px:
                break
        return seen

    def geometry(self, matches: Matches) -> tuple[PairGeometry, NDArray[np.bool_]]:
        """Equations' input for the matches whose rays exist and meet the ground, and which ones those are."""
        rays0, rays1 = self._lens.rays(matches.first_px), self._lens.rays(matches.second_px)
        first, first_after, first_lever = turn_rays(rays0, *self._turning(self.first_s, matches.first_px))
        second, second_after, second_lever = turn_rays(rays1, *self._turning(self.second_s, matches.second_px))
        good = _met(first, second, self.plane.down)
        kept = slice(None) if good.all() else good
        return PairGeometry(
            first_ray=first[kept],
            second_ray=second[kept],
            first_s=first_after[kept],
            second_s=second_after[kept],
            first_lever_m=first_lever[kept],
            second_lever_m=second_lever[kept],
            down=self.plane.down,
            distance_m=self.plane.distance_m,
            flow=(rays1 - rays0)[kept],
            covariance=_carried(self._lens.ray_per_pixel(rays1[kept]), matches.covariance_px2[kept]),
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

    def _turning(self, frame_s: float, pixels: Array) -> tuple[Array, Array, Array, Array, float, float]:
        """Give what the compiled loops need to know of a frame: rows, turns, lever arm, half the acceleration, exposure."""
        after_s = frame_s - self.middle_s - 0.5 * self._camera.readout_s
        share = (pixels[:, 1] + 0.5) / self._camera.height_px
        return share, self._knots[frame_s], self._lever, self._half, after_s, self._camera.readout_s


@compiled
def _farthest(before: Array, after: Array) -> float:
    """Farthest way between places (N, 2) before and after; unknown ones do not count."""
    farthest = 0.0
    for i in range(len(before)):
        for k in range(2):
            way = abs(after[i, k] - before[i, k])
            if way > farthest:
                farthest = way
    return farthest


@compiled
def _met(first: Array, second: Array, down: Array) -> NDArray[np.bool_]:
    """Whether rays at the reference exist (N,), and the first meets the ground less than 81 degrees off its normal."""
    met = np.empty(len(first), np.bool_)
    for i in range(len(first)):
        x, y, z = first[i]
        slope = x * down[0] + y * down[1] + z * down[2]
        met[i] = slope > _LEAST_SLOPE * np.sqrt(x * x + y * y + z * z) and np.isfinite(second[i, 0])
    return met


@compiled
def _carried(change: Array, covariance: Array) -> Array:
    """Carry covariances (N, 2, 2) over through derivatives (N, 2, 2)."""
    carried = np.empty_like(covariance)
    for i in range(len(change)):
        a, b, c, d = change[i, 0, 0], change[i, 0, 1], change[i, 1, 0], change[i, 1, 1]
        xx, xy, yy = covariance[i, 0, 0], covariance[i, 0, 1], covariance[i, 1, 1]
        carried[i, 0, 0], carried[i, 1, 1] = (
            a * a * xx + 2 * a * b * xy + b * b * yy,
            c * c * xx + 2 * c * d * xy + d * d * yy,
        )
        carried[i, 0, 1] = carried[i, 1, 0] = a * c * xx + (a * d + b * c) * xy + b * d * yy
    return carried


@compiled
def _turn_at(share: float, knots: Array, out: Array) -> None:
    """Turn (3, 3) of the camera at a share of the rows; halfway down where the share is not known."""
    place = (0.5 if np.isnan(share) else share) * (len(knots) - 1)
    before = min(max(int(place), 0), len(knots) - 2)
    part = place - before
    for j in range(3):
        for k in range(3):
            out[j, k] = knots[before, j, k] + part * (knots[before + 1, j, k] - knots[before, j, k])


@compiled
def turn_rays(
    rays: Array, shares: Array, knots: Array, arm: Array, half: Array, begin_s: float, readout_s: float
) -> tuple[Array, Array, Array]:
    """Turn rays (N, 2) to the reference: (N, 3) at unit depth, time since the reference (N,), and way (N, 3).

    The way is what the camera has moved by beside velocity x time: by the lever arm and by half the acceleration.
    """
    count = len(rays)
    turned, since, lever = np.empty((count, 3)), np.empty(count), np.empty((count, 3))
    turn = np.empty((3, 3))
    for i in range(count):
        _turn_at(shares[i], knots, turn)
        depth = turn[2, 0] * rays[i, 0] + turn[2, 1] * rays[i, 1] + turn[2, 2]
        since[i] = begin_s + shares[i] * readout_s
        for j in range(3):
            turned[i, j] = (turn[j, 0] * rays[i, 0] + turn[j, 1] * rays[i, 1] + turn[j, 2]) / depth
            lever[i, j] = turn[j, 0] * arm[0] + turn[j, 1] * arm[1] + turn[j, 2] * arm[2] - arm[j]
            lever[i, j] += half[j] * since[i] ** 2
    return turned, since, lever


@compiled
def meet_ground(turned: Array, since: Array, lever: Array, velocity: Array, down: Array, distance: float) -> Array:
    """Points of the plane (N, 3) that rays at the reference (N, 3) meet; NaN where they meet none."""
    ground = np.empty_like(turned)
    for i in range(len(turned)):
        slope, above = 0.0, distance
        for j in range(3):
            slope += turned[i, j] * down[j]
            above -= (velocity[j] * since[i] + lever[i, j]) * down[j]
        for j in range(3):
            start = velocity[j] * since[i] + lever[i, j]
            ground[i, j] = start + turned[i, j] * above / slope if slope > 0 else np.nan
    return ground


@compiled
def look_toward(
    ground: Array, velocity: Array, shares: Array, knots: Array, arm: Array, half: Array, begin_s: float,
    readout_s: float,
) -> Array:  # fmt: skip
    """Rays (N, 2) along which points of the ground are seen; NaN for points behind the camera."""
    rays = np.empty((len(ground), 2))
    turn, away = np.empty((3, 3)), np.empty(3)
    for i in range(len(ground)):
        _turn_at(shares[i], knots, turn)
        since = begin_s + (0.5 if np.isnan(shares[i]) else shares[i]) * readout_s
        for j in range(3):
            shift = turn[j, 0] * arm[0] + turn[j, 1] * arm[1] + turn[j, 2] * arm[2] - arm[j]
            away[j] = ground[i, j] - (velocity[j] + half[j] * since) * since - shift
        x = turn[0, 0] * away[0] + turn[1, 0] * away[1] + turn[2, 0] * away[2]
        y = turn[0, 1] * away[0] + turn[1, 1] * away[1] + turn[2, 1] * away[2]
        z = turn[0, 2] * away[0] + turn[1, 2] * away[1] + turn[2, 2] * away[2]
        rays[i, 0], rays[i, 1] = (x / z, y / z) if z > 0 else (np.nan, np.nan)
    return rays
