"""Errors that all matches of a pair share, and what each does to the velocity.

They do not average out over matches. Each is given as a matrix whose columns are the velocity errors (m/s,
camera axes) that a one-sigma error causes, up to the sign of the whole column; the covariance is the sum
of the columns' outer products.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.camera import Lens
from flow.error_sources import ErrorSource
from flow.height import Height
from flow.module import Module
from flow.pair.equations import PairGeometry, motion_of_acceleration, motion_of_turn
from flow.pair.velocity import Solution
from flow.rotation import skew
from flow.tilt import Tilt

Array: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitEffects:
    """What errors of one unit do to a velocity: each (3, k), m/s, k independent directions of the error.

    Units: ``height`` m, ``focal_length`` share of fx and fy, ``gyro`` rad over the interval about the body axes, ``clock``
    s, ``mounting`` rad about the body axes, ``down`` rad of the ground's normal about the camera axes, ``tilt`` the same with
    what it does to level axes, ``lever_arm`` m along the body axes, ``acceleration`` m/s^2.
    """

    height: Array
    focal_length: Array
    gyro: Array
    clock: Array
    mounting: Array
    down: Array
    tilt: Array
    lever_arm: Array
    acceleration: Array

    def turned(self, R: Array) -> UnitEffects:
        """Give the same in the axes that ``R`` (3, 3) turns into."""
        return UnitEffects(**{name: R @ getattr(self, name) for name in self.__slots__})


def unit_effects(
    module: Module,
    lens: Lens,
    pair: PairGeometry,
    solution: Solution,
    *,
    height: Height,
    turned_rad: Array,
    rate_change_rad_s: Array,
    interval_s: float,
) -> UnitEffects:
    """Give the effects of an error of one unit, camera axes.

    Parameters
    ----------
    module, lens
        Where camera and range sensor sit, and what bends the rays.
    pair, solution
        The equations and what came of them.
    height
        Above ground.
    turned_rad
        Camera rotation over the interval, (3,), camera axes.
    rate_change_rad_s
        Body rate at the second frame less that at the first, (3,), camera axes: what a clock error meets.
    interval_s
        Time between the frames.
    """
    R_camera_body = module.alignment.R_body_camera.as_matrix().T
    velocity, down = solution.velocity_m_s, pair.down
    apparent = -solution.apparent  # the equations' target, see PairGeometry
    moved = np.einsum("nij,nj->ni", solution.pull, apparent)  # sums to the velocity: each match's share of it
    by_distance = moved.sum(axis=0) / pair.distance_m
    pull = solution.pull.transpose(1, 0, 2).reshape(3, -1)
    by_turn = pull @ motion_of_turn(pair.second_ray).reshape(-1, 3)
    lever = R_camera_body @ module.alignment.camera_position_m
    by_gyro = by_turn - _cross(lever) / interval_s  # a wrong rate also swings the lever arm wrongly
    by_plane = -moved.T @ (pair.first_ray / (pair.first_ray @ down)[:, None]) @ -_cross(down)
    by_mounting = by_turn @ _cross(turned_rad) + by_plane + _cross(velocity)
    by_lever = _cross(turned_rad / interval_s) + np.outer(by_distance, down)
    by_drop = np.outer(by_distance, lever - _reading_by_down(module, down, height)) @ _cross(down)
    by_down = (by_plane + by_drop) @ (np.eye(3) - np.outer(down, down))
    return UnitEffects(
        height=by_distance[:, None],
        focal_length=pull @ _motion_of_scale(lens, pair, solution, turned_rad, interval_s).reshape(-1, 2),
        gyro=by_gyro @ R_camera_body,
        clock=(by_gyro @ rate_change_rad_s)[:, None],
        mounting=by_mounting @ R_camera_body,
        down=by_down,
        tilt=by_down + leaning_axes(R_camera_body, down, velocity),
        lever_arm=by_lever @ R_camera_body,
        acceleration=pull @ motion_of_acceleration(pair).reshape(-1, 3),
    )


def leaning_axes(R_camera_body: Array, down: Array, velocity: Array) -> Array:
    """Give what a velocity (3,) seems to change by when level axes lean by a small turn, (3, 3), camera axes."""
    turned = np.eye(3) + np.outer(down, _heading_by_turn(R_camera_body, down))
    return np.asarray(_cross(velocity) @ turned @ (np.eye(3) - np.outer(down, down)))


def shared_errors(
    module: Module,
    units: UnitEffects,
    *,
    height: Height,
    tilt: Tilt,
    interval_s: float,
    acceleration_sigma_m_s2: float = 0.0,
) -> dict[ErrorSource, Array]:
    """One-sigma effects by source, each (3, k), m/s, camera axes, from those of one unit (:func:`unit_effects`).

    ``height`` and ``tilt`` have their sigmas, the module those of its figures; ``acceleration_sigma_m_s2`` is that of the
    acceleration that the equations hold, along each axis.
    """
    alignment, gyro = module.alignment, module.gyro
    span_s = noise_span_s(interval_s, module.camera.readout_s)
    return {
        ErrorSource.HEIGHT: units.height * height.sigma_m,
        ErrorSource.FOCAL_LENGTH: units.focal_length * module.camera.focal_sigma,
        ErrorSource.GYRO_NOISE: units.gyro * (gyro.noise_per_axis * np.sqrt(span_s)),
        ErrorSource.GYRO_BIAS: units.gyro * (np.array(gyro.sigma.bias_rad_s) * interval_s),
        ErrorSource.CLOCK: units.clock * alignment.sigma.time_offset_s,
        ErrorSource.MOUNTING: units.mounting * alignment.rotation_sigma_rad,
        ErrorSource.TILT: units.tilt * tilt.sigma_rad,
        ErrorSource.LEVER_ARM: units.lever_arm * np.array(alignment.sigma.camera_position_m),
        ErrorSource.ACCELERATION: units.acceleration * acceleration_sigma_m_s2,
    }


def noise_span_s(interval_s: float, readout_s: float) -> float:
    """Over how long gyro noise adds up in a pair's common turn: rows exposed one after the other average some of it.

    The mean over rows of the turn in an interval: the square of a box of one length averaged over one of the other,
    integrated.
    """
    longer, shorter = max(interval_s, readout_s), min(interval_s, readout_s)
    return interval_s**2 / longer * (1 - shorter / (3 * longer))


def covariance_of(effects: Array) -> Array:
    """Covariance (3, 3) of independent one-sigma effects (3, k)."""
    return np.asarray(effects @ effects.T)


def _motion_of_scale(lens: Lens, pair: PairGeometry, solution: Solution, turned_rad: Array, interval_s: float) -> Array:
    """Change of each match's motion against the one expected at its place when fx or fy is believed shorter: (N, 2, 2).

    That scales the motion seen, and moves the place at which the motion is expected. A uniform motion
    changes with all of its share, an expansion (descent) not at all, a rotation's curved part the other way; a lens that
    bends rays changes more of it.
    """
    place = pair.first_ray[:, :2]
    x, y = place.T
    moved = lens.ray_per_focal_length(place)
    missed = solution.apparent - (pair.second_ray - pair.first_ray)[:, :2]  # of a velocity that is not the matches' own
    own = lens.ray_per_focal_length(place + pair.flow + missed) - moved
    a, b, c = turned_rad
    by_x = np.stack([y * a - 2 * x * b, -y * b - c], axis=-1)
    by_y = np.stack([x * a + c, 2 * y * a - x * b], axis=-1)
    slope = pair.first_ray @ pair.down
    growth = solution.velocity_m_s[2] * interval_s / pair.distance_m * slope
    leaning = solution.apparent[:, :, None] * (pair.down[:2] / slope[:, None])[:, None, :]
    expected_by_place = np.stack([by_x, by_y], axis=-1) + growth[:, None, None] * np.eye(2) + leaning
    return np.asarray(own - expected_by_place @ moved)


def _reading_by_down(module: Module, down: Array, height: Height) -> Array:
    """Differentiate the height that a range reading means by the direction down, (3,), camera axes."""
    R_camera_body = module.alignment.R_body_camera.as_matrix().T
    sensor = R_camera_body @ module.range.position_m
    if module.range.beam == "wide":
        return np.asarray(sensor)
    beam = R_camera_body[:, 2]
    return np.asarray(sensor + beam * (height.height_m - sensor @ down) / (beam @ down))


def _heading_by_turn(R_camera_body: Array, down: Array) -> Array:
    """Tell how far level forward (body x made level) turns about down by a small turn of the body, (3,)."""
    x = R_camera_body[:, 0]
    forward = x - (x @ down) * down
    return np.asarray((x @ down) / (forward @ forward) * forward)


def _cross(vector: Array) -> Array:
    return np.asarray(skew(vector[None])[0])
