"""Metres of a flight held against what else knows them: the accelerometer for speed, the picture's scale for height.

A picture's motion times the range is a speed; its changes are what the accelerometer integrates. That tells range scale
and focal length together. The picture's scale changes by the share that the height changes: that tells a range that is
stuck, has an offset or reads another surface, but no scale.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from calib.fitness.motion import pair_motions
from calib.fitness.posed import Posed, still_force
from calib.fitness.slopes import fitted, integral
from flow.height import origin_height
from flow.module import Module
from flow.series import RangeSamples

Array: TypeAlias = NDArray[np.float64]

SPEED_RATIO, RANGE_RATIO = "speed by image and range over the accelerometer's", "range changes over the image scale's"
"""What the ratios are called."""

_LONGEST_BRIDGE_S = 0.5  # between readings
_TREND = 4  # terms of each axis' polynomial over ten seconds: leaning gravity, drift and bias of the accelerometer
_TREND_S = 10.0
_ACCEL_SCALE = 0.015  # one-sigma of a MEMS accelerometer's own scale and of what a polynomial leaves (common practice)
_ACCEL_LAG_S = 1.5  # accelerometer noise integrates to a walk: its errors last
_PICTURE_SCALE = 0.01  # one-sigma: a track errs by a few millipixels in proportion to its motion
_STRAY_READINGS = 5
_UNUSUAL = 10.0  # times the usual sigma of a pair's shift
_FEWEST = 40  # pairs
_LONGEST_STEP_S = 0.3  # between pairs that follow each other


@dataclass(frozen=True, slots=True, kw_only=True)
class Flown:
    """How a stretch was flown.

    ``time_s`` (P,) on the camera's clock, ``camera_m`` (P,) the camera's distance to the ground by the range,
    ``velocity_m_s`` (P, 3) of the body in the frame that does not rotate, ``down`` (3,) there, ``scale_rate`` (P,) at
    which the distance grows by the picture, 1/s. NaN where it is not known.
    """

    time_s: Array
    camera_m: Array
    velocity_m_s: Array
    down: Array
    scale_rate: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Ratio:
    """A ratio that should be 1, and its one-sigma; ``signal`` is what it rests on, in the unit of its kind."""

    value: float
    sigma: float
    signal: float


def flown(posed: Posed, module: Module, heights: RangeSamples) -> Flown:
    """Turn a stretch's pairs into speed and height; NaN where the range is silent."""
    pairs, model, at = posed.pairs, posed.model, posed.unknowns
    motions = pair_motions(model.equations(at), model.covariance, model.known, turning=False)
    turns = model.camera_turns(at, pairs.middle_s)
    R_body_camera = at.R_body_camera.as_matrix()
    span_s = (pairs.second_s - pairs.first_s)[:, None]
    down_camera = at.normal @ turns
    down_body = down_camera @ R_body_camera.T
    origin_m = _height_at(pairs.middle_s + at.time_offset_s, down_body, heights, module)
    arm_body = np.array(module.alignment.camera_position_m)
    camera_m = origin_m - down_body @ arm_body
    # Over a cut, points are found again that have nothing to do with each other; their scatter says so.
    spread = np.trace(motions.covariance[:, :3, :3], axis1=1, axis2=2)
    usual = np.median(spread[motions.good]) if motions.good.any() else np.inf
    good = motions.good & (spread < _UNUSUAL**2 * usual)
    rate = np.where(good[:, None], motions.displacement / span_s, np.nan)
    swing = np.cross(posed.gyro_turn_rad / span_s, arm_body @ R_body_camera)
    velocity = np.einsum("pij,pj->pi", turns, rate * camera_m[:, None] - swing)
    return Flown(
        time_s=pairs.middle_s,
        camera_m=camera_m,
        velocity_m_s=velocity,
        down=at.normal,
        scale_rate=-np.einsum("pi,pi->p", rate, down_camera),
    )


def speed_against_accelerometer(posed: Posed, flight: Flown) -> Ratio | None:
    """Speed by picture and range over speed by the accelerometer; None without one or without enough changes of speed.

    Both are means over each pair's interval, in the frame that does not rotate; a slow polynomial along each axis takes
    up gravity, bias and drift.
    """
    pushed = still_force(posed.stretch.gyro, posed.unknowns.bias_rad_s)
    if pushed is None:
        return None
    by_accel = _integrated(posed, *pushed)
    good = np.isfinite(flight.velocity_m_s).all(axis=1)
    if good.sum() < _FEWEST:
        return None
    time_s = flight.time_s[good]
    terms = _TREND + int(np.ptp(time_s) / _TREND_S)
    trend = np.polynomial.legendre.legvander(np.interp(time_s, time_s[[0, -1]], [-1, 1]), terms - 1)
    left = [
        _without(np.asarray(trend, np.float64), np.asarray(values[good], np.float64))
        for values in (flight.velocity_m_s, by_accel)
    ]
    signal = float(np.sqrt(np.mean(np.sum(left[1] ** 2, axis=1))))
    x, covariance = fitted(left[0], left[1][:, :, None], time_s, _ACCEL_LAG_S)
    sigma = float(np.hypot(np.sqrt(covariance[0, 0]) * posed.looseness, _ACCEL_SCALE))
    return Ratio(value=float(x[0]), sigma=sigma, signal=signal)


def range_against_scale(posed: Posed, flight: Flown) -> Ratio | None:
    """Give changes of the height by the range over those by the picture's scale; None without enough readings."""
    flight = _unbroken(flight)
    good = np.isfinite(flight.camera_m)
    if good.sum() < _FEWEST:
        return None
    time_s, distance = flight.time_s[good], flight.camera_m[good]
    typical = float(np.median(distance))
    growth = integral(flight.scale_rate, flight.time_s)[good]
    by_picture = typical * np.exp(growth - np.median(growth))
    # A normal that is off by a little along each direction turns the way over the ground into climb.
    rate = flight.velocity_m_s / flight.camera_m[:, None]
    speed = typical * np.stack([np.interp(flight.time_s, time_s, rate[good, k]) for k in range(3)], axis=1)
    way = (integral(speed, flight.time_s) @ _across(flight.down).T)[good]
    rows = np.column_stack([by_picture - typical, np.ones(len(time_s)), way - way.mean(axis=0)])[:, None]
    free, _ = fitted(distance[:, None], rows, time_s)
    scatter = max(1.4826 * float(np.median(np.abs(distance - rows[:, 0] @ free))), 1e-4)
    # That little is known to be little: two more equations, at times of their own.
    prior = np.zeros((2, 1, 4))
    prior[:, 0, 2:] = np.eye(2) * scatter / (posed.lean_sigma_rad * posed.looseness)
    apart_s = time_s[-1] + np.array([1e3, 2e3])
    target = np.append(distance, [0.0, 0.0])[:, None]
    x, covariance = fitted(target, np.concatenate([rows, prior]), np.append(time_s, apart_s))
    sigma = float(np.hypot(np.sqrt(covariance[0, 0]), _PICTURE_SCALE)) * posed.looseness
    return Ratio(value=float(x[0]), sigma=sigma, signal=float(np.std(by_picture)))


def _unbroken(flight: Flown) -> Flown:
    """Give the longest part whose pairs follow each other."""
    known = np.flatnonzero(np.isfinite(flight.scale_rate))
    breaks = np.flatnonzero(np.diff(flight.time_s[known]) > _LONGEST_STEP_S) + 1
    part = max(np.split(known, breaks), key=len)
    return Flown(
        time_s=flight.time_s[part],
        camera_m=flight.camera_m[part],
        velocity_m_s=flight.velocity_m_s[part],
        down=flight.down,
        scale_rate=flight.scale_rate[part],
    )


def _height_at(time_s: Array, down_body: Array, heights: RangeSamples, module: Module) -> Array:
    """Height of the body origin at each time (P,), stray echoes left out; NaN between readings far apart."""
    sensor = module.range
    heard = (heights.range_m > sensor.min_m) & (heights.range_m < sensor.max_m)
    read_s = heights.time_s[heard] + sensor.time_offset_s
    if len(read_s) < _STRAY_READINGS:
        return np.full(len(time_s), np.nan)
    air = None if heights.air_temperature_c is None else heights.air_temperature_c[heard]
    leaning = np.stack([np.interp(read_s, time_s, down_body[:, k]) for k in range(3)], axis=1)
    height = np.array(
        [
            origin_height(sensor, float(r), None if air is None or np.isnan(air[k]) else float(air[k]), leaning[k])
            for k, r in enumerate(heights.range_m[heard])
        ]
    )
    usual = median_filter(height, _STRAY_READINGS, mode="nearest")
    fits = np.abs(height - usual) < np.maximum(0.05 * usual, 5 * sensor.noise_m)
    read_s, height = read_s[fits], height[fits]
    after = np.searchsorted(read_s, time_s).clip(1, len(read_s) - 1)
    far = (
        (read_s[after] - read_s[after - 1] > _LONGEST_BRIDGE_S)
        | (time_s < read_s[0] - 0.1)
        | (time_s > read_s[-1] + 0.1)
    )
    return np.where(far, np.nan, np.interp(time_s, read_s, height))


def _integrated(posed: Posed, time_s: Array, force: Array) -> Array:
    """Integral of the specific force (S, 3) in the frame that does not rotate, mean over each pair's interval (P, 3)."""
    at = posed.unknowns
    force = force - force.mean(axis=0)
    way = integral(integral(force, time_s), time_s)
    first, second = posed.pairs.first_s + at.time_offset_s, posed.pairs.second_s + at.time_offset_s
    ends = [np.stack([np.interp(t, time_s, way[:, k]) for k in range(3)], axis=1) for t in (first, second)]
    return np.asarray((ends[1] - ends[0]) / (second - first)[:, None])


def _without(trend: Array, values: Array) -> Array:
    return np.asarray(values - trend @ np.linalg.lstsq(trend, values, rcond=None)[0])


def _across(normal: Array) -> Array:
    first = np.cross(normal, np.eye(3)[np.abs(normal).argmin()])
    first /= np.linalg.norm(first)
    return np.array([first, np.cross(normal, first)])
