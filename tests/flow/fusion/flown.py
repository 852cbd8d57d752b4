"""Flights without pictures: what sensors and rows say, drawn from exact truth with the noise that the filter is told of.

So its errors must be as large as it says.

A row is the exact mean velocity between two pictures in the level axes of the middle, plus: the second picture's error
less the first's, over the interval; an error of its own; what the gyro's noise and bias between the two pictures do to a
narrow view straight down (-turn x height, Longuet-Higgins and Prazdny 1980); a lean; a drift; the height it was scaled
by. All are drawn here from the equations, none by the code under test.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from flow import scene
from flow.anchoring.sight import Sight
from flow.fusion import Filter, FusedStates, ImageRow, InertialNoise, Smoothed, Smoother
from flow.fusion.considered import OF_ROWS
from flow.fusion.pictures import PICTURE_SHARE
from flow.module import Module
from flow.scene.motion import Motion
from flow.scene.sensors import ImuErrors, RangeErrors, sense_range, sense_turn
from flow.series import GyroSamples, RangeSamples

Array = NDArray[np.float64]

FRAME_S = 1 / 60
BEGIN_S = 0.3
MODULE = scene.preset_module("small").model_copy(
    update={
        "alignment": scene.preset_module("small").alignment.model_copy(update={"camera_position_m": (0.0, 0.0, 0.0)})
    }
)
NOISE = replace(InertialNoise.of(MODULE), terrain_m_rts=1e-5, drift_lasts_s=0.2)


@dataclass(frozen=True, kw_only=True)
class Flown:
    """What the sensors of a flight said, and what was true."""

    module: Module
    motion: Motion
    gyro: GyroSamples
    ranges: RangeSamples
    rows: list[ImageRow]
    sights: list[Sight]
    gyro_bias_rad_s: Array  # (N, 3), at the gyro's samples
    accel_bias_m_s2: Array


def hover(duration_s: float, seed: int, height_m: float = 1.0, speed_m_s: float = 0.0) -> Motion:
    steady = scene.straight(duration_s, height_m=height_m, speed_m_s=speed_m_s, heading_rad=0.4)
    return steady + scene.gusts(duration_s, seed=seed)


def fly(
    motion: Motion,
    seed: int,
    *,
    noise: InertialNoise = NOISE,
    image_m_s: tuple[float, float, float] = (1e-3, 1e-3, 3e-3),
    drift_m_s: float = 3e-4,
    lean_rad: float = 5e-3,
    height_sigma_m: float = 0.004,
    sights: bool = False,
    rate_hz: float = 400.0,
) -> Flown:
    """Draw a flight; every noise has the density or sigma that the filter is told."""
    rng = np.random.default_rng([seed, 9])
    gyro, gyro_bias, accel_bias = _inertial(motion, noise, rate_hz, rng)
    span = (0.0, motion.duration_s)
    ranges = sense_range(motion, span, -MODULE.range.time_offset_s, MODULE.range, RangeErrors(), (), rng)
    times = np.arange(BEGIN_S, motion.duration_s - 0.2, FRAME_S)
    turned = _missed_turn(motion, gyro, times)
    share = np.sqrt(PICTURE_SHARE), np.sqrt(1 - 2 * PICTURE_SHARE)
    picture = rng.normal(size=(len(times), 3)) * share[0] * np.array(image_m_s) * FRAME_S
    drift = _markov(rng, np.full(3, drift_m_s), noise.drift_lasts_s, times)
    lean = _markov(rng, np.full(2, lean_rad), noise.lean_lasts_s, times)
    rows = []
    for k in range(len(times) - 1):
        start, end = times[k : k + 2]
        middle = 0.5 * (start + end)
        way = np.diff(motion.pose(np.array([start, end]))[0], axis=0)[0]
        yaw = float(motion.yaw(middle))
        level = _about_down(-yaw) @ way / FRAME_S
        height = -float(motion.pose(np.array([middle]))[0][0, 2])
        error = (picture[k + 1] - picture[k]) / FRAME_S + share[1] * np.array(image_m_s) * rng.normal(size=3)
        error += drift[k] - np.cross(_about_down(-yaw) @ turned[k] / FRAME_S, [0.0, 0.0, height])
        error[2] += lean[k, 0] * level[1] - lean[k, 1] * level[0]
        believed = height + height_sigma_m * rng.normal()
        rows.append(
            ImageRow(
                start_s=start, end_s=end, velocity_m_s=(level + error) * believed / height,
                image_m2_s2=np.square(image_m_s), drift_m2_s2=np.full(3, drift_m_s**2),
                lasting_m_s=np.zeros(3), considered_m_s=np.zeros((3, OF_ROWS.stop)),
                lean_m_s=lean_rad * np.array([[0.0, 0.0], [0.0, 0.0], [level[1], -level[0]]]),
                height_m=believed, height_sigma_m=height_sigma_m, reach_gain=1.0,
            )
        )  # fmt: skip
    return Flown(
        module=MODULE, motion=motion, gyro=gyro, ranges=ranges, rows=rows, gyro_bias_rad_s=gyro_bias,
        accel_bias_m_s2=accel_bias, sights=_sights(motion, times, rng) if sights else [],
    )  # fmt: skip


@dataclass
class Run:
    """What came of a flight: the filter, its state after every row, and the smoother's at every sample."""

    filter: Filter
    causal: list[FusedStates]
    smoothed: list[Smoothed]
    without: list[Array]

    @property
    def times(self) -> Array:
        """Times of the smoothed states."""
        return self.of("time_s")

    def innovations_after(self, rows: int) -> Array:
        """Normalised innovations (N, 3) of the rows after the first ones."""
        return np.array(self.filter.innovations)[rows:]

    def of(self, name: str) -> Array:
        """Join a column of the smoothed states."""
        return np.concatenate([getattr(part.states, name) for part in self.smoothed])


def fuse(flown: Flown, noise: InertialNoise = NOISE, *, chunk: int = 7, smooth: bool = True) -> Run:
    """Put a flight through the filter as it would come in, and through the smoother."""
    run = Run(None, [], [], [])  # type: ignore[arg-type]
    smoother = Smoother(run.smoothed.append, run.without.append)
    run.filter = Filter(flown.module, noise, smoother=smoother if smooth else None)
    run.filter.push_range(flown.ranges)
    given = 0
    sights = {sight.time_s: sight for sight in flown.sights}
    for row in flown.rows:
        while given < len(flown.gyro.time_s) and flown.gyro.time_s[max(given - 1, 0)] < row.end_s + 0.01:
            run.filter.push_gyro(flown.gyro.part(slice(given, given + chunk)))
            given += chunk
        run.filter.push_row(row)
        if row.end_s in sights:
            run.filter.push_sight(sights[row.end_s])
        if (state := run.filter.state()) is not None:
            run.causal.append(state)
    if smooth:
        run.filter.push_gyro(flown.gyro.part(slice(given, None)))
        run.filter.finish()
    return run


def errors(flown: Flown, states: FusedStates) -> dict[str, Array]:
    """Errors of states, and for each quantity the covariance that they claim: name -> (N, k) and name_cov -> (N, k, k)."""
    motion, t = flown.motion, states.time_s
    roll, pitch = motion.channels(t)[:, 3:5].T
    found = {
        "velocity": states.velocity_m_s - motion.level_velocity(t),
        "tilt": states.tilt_rad - np.column_stack([roll, pitch]),
        "height": (states.height_m + motion.pose(t)[0][:, 2])[:, None],
        "gyro_bias": states.gyro_bias_rad_s - _at(flown, flown.gyro_bias_rad_s, t),
        "accel_bias": states.accel_bias_m_s2 - _at(flown, flown.accel_bias_m_s2, t),
    }

    def diagonal(sigma: Array) -> Array:
        sigma = sigma.reshape(len(t), -1)
        return np.square(sigma)[:, :, None] * np.eye(sigma.shape[1])

    claimed = {
        "velocity_cov": states.velocity_m2_s2,
        "tilt_cov": diagonal(states.tilt_sigma_rad),
        "height_cov": diagonal(states.height_sigma_m),
        "gyro_bias_cov": diagonal(states.gyro_bias_sigma_rad_s),
        "accel_bias_cov": diagonal(states.accel_bias_sigma_m_s2),
    }
    return found | claimed


def squared(found: dict[str, Array], name: str) -> Array:
    """Squared error of each state (N,), normalised by the covariance that it claims."""
    return np.einsum("ni,nij,nj->n", found[name], np.linalg.inv(found[name + "_cov"]), found[name])


def _inertial(
    motion: Motion, noise: InertialNoise, rate_hz: float, rng: np.random.Generator
) -> tuple[GyroSamples, Array, Array]:
    gyro = MODULE.gyro.model_copy(update={"noise_rad_s_rthz": noise.gyro_rad_s_rthz, "bias_rad_s": (0.0, 0.0, 0.0)})
    imu = ImuErrors(rate_hz=rate_hz, accel_noise_m_s2_rthz=noise.accel_m_s2_rthz)
    sensed = sense_turn(motion, (0.0, motion.duration_s), 0.0, gyro, imu, rng)
    assert sensed.accel_m_s2 is not None
    count, step = len(sensed.time_s), 1 / np.sqrt(rate_hz)

    def bias(middle: Array, sigma: Array, walk: float) -> Array:
        return middle + sigma * rng.normal(size=3) + np.cumsum(walk * step * rng.normal(size=(count, 3)), axis=0)

    gyro_bias = bias(
        np.array(MODULE.gyro.bias_rad_s), np.array(noise.gyro_bias_sigma_rad_s), noise.gyro_bias_walk_rad_s_rts
    )
    accel_bias = bias(np.zeros(3), np.full(3, noise.accel_bias_sigma_m_s2), noise.accel_bias_walk_m_s2_rts)
    samples = GyroSamples(
        time_s=sensed.time_s, rate_rad_s=sensed.rate_rad_s + gyro_bias, accel_m_s2=sensed.accel_m_s2 + accel_bias
    )
    return samples, gyro_bias, accel_bias


def _missed_turn(motion: Motion, gyro: GyroSamples, times: Array) -> Array:
    """Tell what the gyro, by the module's bias, has turned too far between pictures: (K - 1, 3), north, east, down."""
    wrong = gyro.rate_rad_s - MODULE.gyro.bias_rad_s - motion.rate_body(gyro.time_s)
    wrong = motion.pose(gyro.time_s)[1].apply(wrong)
    steps = 0.5 * np.diff(gyro.time_s)[:, None] * (wrong[1:] + wrong[:-1])
    angle = np.vstack([np.zeros(3), np.cumsum(steps, axis=0)])
    return np.diff(np.column_stack([np.interp(times, gyro.time_s, angle[:, k]) for k in range(3)]), axis=0)


def _markov(rng: np.random.Generator, sigma: Array, lasts_s: float, times: Array) -> Array:
    """First-order Gauss-Markov process at the times, its mean between them near enough."""
    out = np.empty((len(times), len(sigma)))
    out[0] = sigma * rng.normal(size=len(sigma))
    kept = np.exp(-FRAME_S / lasts_s)
    for k in range(1, len(times)):
        out[k] = kept * out[k - 1] + np.sqrt(1 - kept**2) * sigma * rng.normal(size=len(sigma))
    return out


def _sights(motion: Motion, times: Array, rng: np.random.Generator) -> list[Sight]:
    """Draw what every second picture shows against an anchor; after four seconds there is another.

    A turn that is missed shows as a shift by the height times as much. Half of the error is the anchor's own.
    """
    mixed = np.eye(6)
    mixed[0, 4], mixed[1, 3] = -1.0, 1.0
    root = mixed @ np.diag([5e-6, 5e-6, 1.5e-5, 4e-5, 4e-5, 1.5e-5])
    sights, number = [], 0
    for k in range(1, len(times), 2):
        fresh = k % 120 == 1
        if fresh:
            number, (at, R_anchor), height, own = number + 1, _pose(motion, times[k]), 0.0, root @ rng.normal(size=6)
            height = -at[2] + 0.004 * rng.normal()
        place, R = _pose(motion, times[k])
        off = np.zeros(6) if fresh else own + root @ rng.normal(size=6)
        sights.append(
            Sight(
                time_s=times[k], anchor=number, way_m=(R_anchor.T @ (place - at) + off[:3]) * height / -at[2],
                R_anchor_now=Rotation.from_rotvec(off[3:]).as_matrix() @ R_anchor.T @ R,
                covariance=np.zeros((6, 6)) if fresh else root @ root.T, height_m=height, distance_m=height,
                lasting=np.zeros((6, 6)), by_slope=np.zeros((6, 2)), slope_axes=np.eye(3)[:, :2], tilt_sigma_rad=0.01,
            )
        )  # fmt: skip
    return sights


def _pose(motion: Motion, time_s: float) -> tuple[Array, Array]:
    place, turn = motion.pose(np.array([time_s]))
    return place[0], turn.as_matrix()[0]


def _at(flown: Flown, column: Array, time_s: Array) -> Array:
    return np.column_stack([np.interp(time_s, flown.gyro.time_s, column[:, k]) for k in range(column.shape[1])])


def _about_down(angle_rad: float) -> Array:
    cos, sin = np.cos(angle_rad), np.sin(angle_rad)
    return np.array([[cos, -sin, 0.0], [sin, cos, 0.0], [0.0, 0.0, 1.0]])
