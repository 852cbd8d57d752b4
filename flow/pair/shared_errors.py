"""Errors that all matches of a pair share, and what each does to the velocity.

They do not average out over matches. Each is given as a matrix whose columns are the velocity errors (m/s,
camera axes) that a one-sigma error causes, see :mod:`flow.effects`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias, assert_never

import numpy as np
from numpy.typing import NDArray

from flow.camera import Lens
from flow.effects import NO_EFFECT, Effects
from flow.error_sources import ErrorSource, Sensitivity
from flow.height import Height
from flow.module import Module
from flow.pair.equations import PairGeometry, motion_of_acceleration, motion_of_turn
from flow.pair.velocity import Solution
from flow.per_source import PerSource
from flow.rotation import skew
from flow.stated_sigmas import stated_sigma
from flow.tilt import Tilt

Array: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitEffects:
    """What errors of one unit do to a velocity: each (3, k), m/s, k independent directions of the error.

    Units: ``height`` m, ``focal_length`` share of fx and fy, ``gyro`` rad over the interval about the body axes, ``clock``
    s, ``mounting`` rad about the body axes, ``down`` rad of the ground's normal about the camera axes, ``tilt`` the same with
    what it does to level axes, ``lever_arm`` m along the body axes, ``acceleration`` m/s^2, ``interval`` s of the time between
    the frames (its first column) and of how long the gyro turned (its second).
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
    interval: Array

    def of(self, sensitivity: Sensitivity) -> Array:
        """Give what a source of error acts on; an error of the velocity itself is one along each axis."""
        match sensitivity:
            case Sensitivity.HEIGHT:
                return self.height
            case Sensitivity.FOCAL_LENGTH:
                return self.focal_length
            case Sensitivity.GYRO:
                return self.gyro
            case Sensitivity.CLOCK:
                return self.clock
            case Sensitivity.MOUNTING:
                return self.mounting
            case Sensitivity.TILT:
                return self.tilt
            case Sensitivity.LEVER_ARM:
                return self.lever_arm
            case Sensitivity.ACCELERATION:
                return self.acceleration
            case Sensitivity.INTERVAL:
                return self.interval
            case Sensitivity.VELOCITY:
                return np.eye(3)
            case _:
                assert_never(sensitivity)

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
        # Over a wrong interval the same way is another speed, and the gyro's turn another one.
        interval=np.column_stack([velocity, by_gyro @ turned_rad]) / interval_s,
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
    interval_sigma_s: float = 0.0,
) -> Effects:
    """One-sigma effects of every source, each (3, k), m/s, camera axes, from those of one unit (:func:`unit_effects`).

    ``height`` and ``tilt`` have their sigmas, the module those of its figures; ``acceleration_sigma_m_s2`` is that of the
    acceleration that the equations hold, along each axis, ``interval_sigma_s`` that of the time between the frames. What only
    the images or the flight's residuals tell has no effect yet: whoever finds it adds it. The tilt errs about level forward and
    right.
    """
    span_s = noise_span_s(interval_s, module.camera.readout_s)
    air_m = height.air_scale_sigma * height.height_m
    own_m = np.sqrt(max(height.sigma_m**2 - height.range_sigma_m**2 - air_m**2, 0.0))

    def effect(source: ErrorSource, sigma: Array | float) -> Array:
        return units.of(source.acts_on) * sigma

    def stated(source: ErrorSource) -> Array:
        return effect(source, stated_sigma(source, module))

    R_camera_level = module.alignment.R_body_camera.as_matrix().T @ tilt.R_level_body.T
    noise_rad = stated_sigma(ErrorSource.GYRO_NOISE, module) * np.sqrt(span_s)
    return PerSource(
        image=NO_EFFECT,
        image_drift=NO_EFFECT,
        height=effect(ErrorSource.HEIGHT, own_m),
        range=effect(ErrorSource.RANGE, height.range_sigma_m),
        air=effect(ErrorSource.AIR, air_m),
        focal_length=stated(ErrorSource.FOCAL_LENGTH),
        gyro_noise=effect(ErrorSource.GYRO_NOISE, noise_rad),
        gyro_bias=stated(ErrorSource.GYRO_BIAS) * interval_s,
        gyro_scale=NO_EFFECT,
        clock=stated(ErrorSource.CLOCK),
        mounting=stated(ErrorSource.MOUNTING),
        tilt=effect(ErrorSource.TILT, tilt.sigma_rad) @ R_camera_level[:, :2],
        lever_arm=stated(ErrorSource.LEVER_ARM),
        acceleration=effect(ErrorSource.ACCELERATION, acceleration_sigma_m_s2),
        frame_times=effect(ErrorSource.FRAME_TIMES, interval_sigma_s) if interval_sigma_s > 0 else NO_EFFECT,
        relief=NO_EFFECT,
        light=NO_EFFECT,
        accelerometer=NO_EFFECT,
    )


def noise_span_s(interval_s: float, readout_s: float) -> float:
    """Over how long gyro noise adds up in a pair's common turn: rows exposed one after the other average some of it.

    The mean over rows of the turn in an interval: the square of a box of one length averaged over one of the other,
    integrated.
    """
    longer, shorter = max(interval_s, readout_s), min(interval_s, readout_s)
    return interval_s**2 / longer * (1 - shorter / (3 * longer))


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
