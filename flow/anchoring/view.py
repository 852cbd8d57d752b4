"""The equations between an anchor picture and a later one, any time apart.

Symbols: axes of the camera at the anchor's time throughout. The anchor sees a point along ``b0``; it lies on the plane
``n.P = 1`` in units of the camera's distance then. The body has since moved by ``D`` (in these units) and turned by what
the gyro says, and by a small ``e`` that it does not: the noise and bias of the gyro add up over the time between. The
point is seen along ``b1``, turned by the gyro alone: ``(P - D)`` brought to unit depth is ``b1`` plus what the turn
``e`` makes of it. And the plane slopes by ``s`` more than the tilt says: a way of 0.3 over ground that is 4 mrad askew
turns the picture by 0.6 mrad. Two equations a match for eight unknowns; ``e`` is known beforehand to a milliradian or so,
without which a turn would hardly be told from a shift, and ``s`` as well as the tilt.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.camera import Lens
from flow.module import Module
from flow.pair.equations import motion_of_turn
from flow.pair.geometry import look_toward, meet_ground, turn_rays
from flow.rotation import cross
from flow.tracks import Matches

Array: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """How a picture was taken.

    ``turns`` (K, 3, 3) turn vectors of the camera into axes that do not rotate, at K instants evenly over the rows;
    ``velocity_m_s`` and ``acceleration_m_s2`` (3,) are the body's, in these axes, at ``time_s``, the middle row's exposure.
    """

    time_s: float
    turns: Array
    velocity_m_s: Array
    acceleration_m_s2: Array

    @property
    def middle(self) -> Array:
        """Turn (3, 3) of the camera at the middle row."""
        return np.asarray(self.turns[len(self.turns) // 2])


@dataclass(frozen=True, slots=True, kw_only=True)
class Equations:
    """``rows`` (N, 2, 8) @ (change of D, e, s) = ``target`` (N, 2), with the target's ``covariance`` (N, 2, 2)."""

    rows: Array
    target: Array
    covariance: Array

    def weakened(self, share: float) -> Equations:
        """Give the equations with so much of their covariance."""
        return Equations(rows=self.rows, target=self.target, covariance=share * self.covariance)


class AnchorView:
    """A later picture seen from the anchor.

    Parameters
    ----------
    lens, module
        The camera and where it sits.
    anchor, now
        How the two pictures were taken.
    down, distance_m
        The plane's normal (3,) in the anchor's camera axes, and the camera's distance to it then.
    wrong_rad
        (5,), as far as known: turn between the two that the gyro has missed (3), slope of the plane against ``down`` (2).
    """

    def __init__(
        self, lens: Lens, module: Module, anchor: Shot, now: Shot, down: Array, distance_m: float, wrong_rad: Array
    ) -> None:
        self._lens = lens
        self._camera = module.camera
        self._along = across(down)
        sloping = down + self._along @ wrong_rad[3:]
        self._down = sloping / np.linalg.norm(sloping)
        mounting = module.alignment.R_body_camera.as_matrix()
        self._arm = np.array(module.alignment.camera_position_m) @ mounting / distance_m
        between = small_turn(wrong_rad[:3]) @ anchor.middle.T
        self.R_anchor_now = between @ now.middle
        self._first = _Exposure.of(anchor, anchor.middle.T, distance_m)
        self._second = _Exposure.of(now, between, distance_m)

    def predict(self, pixels: Array, moved: Array) -> Array:
        """Where points (N, 2) of the anchor are in the later picture when the body has moved by D (3,)."""
        ground = self._ground(pixels)[1] - moved
        seen, second = pixels, self._second
        for _ in range(4 if self._camera.readout_s else 1):
            seen = self._lens.pixels(look_toward(ground, second.velocity, *self._turning(second, seen)))
        return seen

    def equations(self, matches: Matches, moved: Array) -> tuple[Equations, NDArray[np.bool_]]:
        """Linearise about D (3,); also which matches have rays that meet the ground."""
        first, ground = self._ground(matches.first_px)
        second = self._second
        rays = self._lens.rays(matches.second_px)
        seen, since, way = turn_rays(rays, *self._turning(second, matches.second_px))
        away = ground - moved - second.velocity * since[:, None] - way
        depth = away[:, 2:]
        per_pixel = self._lens.ray_per_pixel(rays)
        good = (depth[:, 0] > 0.1) & np.isfinite(seen[:, 0]) & np.isfinite(per_pixel).all(axis=(1, 2))
        ray = away[:, :2] / depth
        rows = np.zeros((len(ray), 2, 8))
        rows[:, 0, 0] = rows[:, 1, 1] = -1.0
        rows[:, :, 2] = ray
        rows[:, :, :3] /= depth[:, :, None]
        rows[:, :, 3:6] = -motion_of_turn(seen)
        # A plane that slopes more is met nearer or farther along the same ray.
        nearer = -(ground @ self._along) / (first @ self._down)[:, None] / depth
        rows[:, :, 6:] = (first[:, :2] - ray * first[:, 2:])[:, :, None] * nearer[:, None, :]
        covariance = per_pixel @ matches.covariance_px2 @ per_pixel.transpose(0, 2, 1)
        return Equations(rows=rows[good], target=(seen[:, :2] - ray)[good], covariance=covariance[good]), good

    def _ground(self, pixels: Array) -> tuple[Array, Array]:
        """Rays of the anchor's pixels (N, 3), and where they meet the ground (N, 3)."""
        rays, since, way = turn_rays(self._lens.rays(pixels), *self._turning(self._first, pixels))
        return rays, meet_ground(rays, since, way, self._first.velocity, self._down, 1.0)

    def _turning(self, shot: _Exposure, pixels: Array) -> tuple[Array, Array, Array, Array, float, float]:
        share, readout_s = (pixels[:, 1] + 0.5) / self._camera.height_px, self._camera.readout_s
        return share, shot.turns, self._arm, shot.half, -0.5 * readout_s, readout_s


@dataclass(frozen=True, slots=True)
class _Exposure:
    """A shot in the anchor's axes: turns (K, 3, 3), velocity and half the acceleration (3,) in units of the distance."""

    turns: Array
    velocity: Array
    half: Array

    @classmethod
    def of(cls, shot: Shot, R_anchor_still: Array, distance_m: float) -> _Exposure:
        return cls(
            np.ascontiguousarray(R_anchor_still @ shot.turns),
            R_anchor_still @ shot.velocity_m_s / distance_m,
            R_anchor_still @ shot.acceleration_m_s2 * 0.5 / distance_m,
        )


def across(down: Array) -> Array:
    """Two directions (3, 2) along level ground, the first as near to the camera's x axis as may be."""
    x = np.array([1.0, 0.0, 0.0]) - down[0] * down
    x /= np.sqrt(x @ x)
    return np.stack([x, cross(down[None], x[None])[0]], axis=1)


def small_turn(vector_rad: Array) -> Array:
    """Rotation matrix (3, 3) of a rotation vector (3,) of some milliradians, to second order."""
    x, y, z = vector_rad
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    return np.asarray(np.eye(3) + cross + 0.5 * cross @ cross)
