"""The exact offset between two clocks and their drift, from a rough offset; with one-sigma.

In each pair of frames the turn that the gyro leaves in the picture is solved for together with a free velocity over level
ground; a craft that moves as it turns deceives it little. Over the recording these leftovers are then explained by a
later or earlier clock (they go with the change of the gyro's rate), a bias and a mounting error.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d
from scipy.spatial.transform import Rotation

from flow.camera import Lens
from flow.intake.picture_rates import PictureRates
from flow.module import Gyro, Module
from flow.pair.equations import PairGeometry, motion_of_turn
from flow.pair.geometry import PairView, Plane
from flow.pair.velocity import Solution, solve
from flow.rotation import RotationLog, skew
from flow.series import GyroSamples

Array: TypeAlias = NDArray[np.float64]

_ROUNDS = 3
_FEWEST_MATCHES, _FEWEST_PAIRS = 15, 40
_LEAST_AGREE = 0.5
_CHUNK_S, _MARGIN_S = 60.0, 6.0
_LEVEL_S = 8.0  # averaging time of the accelerometer: hovering, its own accelerations average out over that
_BLOCK_S, _MOST_BLOCKS, _FEWEST_BLOCKS = 0.5, 60, 8
_START_S = 240.0  # of a long recording: a drift does not yet take the rough offset out of reach
_FARTHEST_S = 0.15
_FLOOR_S = 2e-4  # with it the errors on eleven rendered recordings and their halves are as large as their one-sigma
_SEEN = 3.0  # sigmas from which on a drift is believed
_SEEN_S = 1e-3  # that it must amount to at either end: rows and paths that bend can feign less
_DRIFT = 5e-5  # what two crystals differ by, as a rule (common practice)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockFit:
    """``gyro time = camera time + offset_s + drift * (camera time - middle_s)``.

    ``sigma_s`` is that of a frame's time, RMS over the recording; ``drift`` is 0 where it could not be seen, with
    ``drift_sigma`` the one-sigma of the attempt.
    """

    offset_s: float
    drift: float
    middle_s: float
    sigma_s: float
    drift_sigma: float

    def gyro_time_s(self, camera_time_s: Array) -> Array:
        """Give times of the camera on the gyro's clock."""
        return np.asarray(camera_time_s + self.offset_s + self.drift * (camera_time_s - self.middle_s))


def fit_clock(picture: PictureRates, gyro: GyroSamples, module: Module, rough_s: float) -> ClockFit | None:
    """Fit offset and drift by least squares, from an offset right within some ten milliseconds.

    Parameters
    ----------
    picture
        With the matches it kept.
    gyro
        In body axes; the module's bias is subtracted here.
    module
        Lens and rough mounting.
    rough_s
        Camera time + rough_s = gyro time.

    Returns
    -------
    None where it does not settle or too few pairs tell. The one-sigma is a jackknife over blocks of the recording
    (Efron 1982), which counts whatever the picture shows beside what is modelled.
    """
    fit = _Fit(picture, gyro, module, rough_s)
    lengths = [_START_S * 4**k for k in range(6) if _START_S * 4**k < fit.length_s]
    equations = None
    for length_s in (*lengths, np.inf):
        for _ in range(_ROUNDS):
            equations = fit.improve(length_s)
            if equations is None or abs(fit.offset_s - rough_s) > _FARTHEST_S:
                return None
    assert equations is not None
    return fit.result(*equations)


class _Fit:
    def __init__(self, picture: PictureRates, gyro: GyroSamples, module: Module, rough_s: float) -> None:
        self._gyro, self._kept = gyro, picture.kept
        self._lens, self._module = Lens(module.camera), module
        self._bias, self._mounting = np.array(module.gyro.bias_rad_s), module.alignment.R_body_camera
        self._arm = np.zeros(3)  # from the centre that the camera swings about, camera axes, in distances to the ground
        self.offset_s, self.drift = rough_s, 0.0
        middles = np.array([0.5 * (first + second) for first, second, _ in self._kept])
        inside = (middles + rough_s > gyro.time_s[0]) & (middles + rough_s < gyro.time_s[-1])
        middles = middles[inside] if inside.any() else middles
        self.middle_s, self.length_s = float(0.5 * (middles[0] + middles[-1])), float(np.ptp(middles))
        self._rng = np.random.default_rng(0)

    def improve(self, length_s: float) -> tuple[Array, Array] | None:
        """Take a Gauss-Newton step over the middle ``length_s``; give its equations by block, (B, 8, 8) and (B, 8)."""
        found = list(self._leftovers(length_s))
        if len(found) < _FEWEST_PAIRS:
            return None
        late, left, information, columns, rate, velocity = (np.array(part) for part in zip(*found, strict=True))
        weight = np.ones(len(late))
        for _ in range(5):
            squares = np.einsum("n,nia,nij,njb->nab", weight, columns, information, columns)
            products = np.einsum("n,nia,nij,nj->na", weight, columns, information, left)
            step = np.linalg.lstsq(squares.sum(axis=0), products.sum(axis=0), rcond=1e-12)[0]
            miss = left - columns @ step
            size = np.einsum("ni,nij,nj->n", miss, information, miss)
            weight = 1 / (1 + size / (4 * max(float(np.median(size)), 1e-12)))  # Cauchy
        self.offset_s += float(step[0])
        self.drift += float(step[1])
        self._bias = np.clip(self._bias + step[2:5], -0.3, 0.3)
        self._mounting = self._mounting * Rotation.from_rotvec(step[5:8])
        self._arm += _swing(rate, velocity)
        block_s = max(_BLOCK_S, np.ptp(late) / _MOST_BLOCKS)
        starts = np.flatnonzero(np.diff(((late - late[0]) / block_s).astype(int), prepend=-1))
        return np.add.reduceat(squares, starts), np.add.reduceat(products, starts)

    def result(self, squares: Array, products: Array) -> ClockFit | None:
        """Judge the drift and give the one-sigma."""
        if len(squares) < _FEWEST_BLOCKS:
            return None
        drift_sigma = float(np.sqrt(_jackknife(squares, products)[1]))
        visible = abs(self.drift) > max(_SEEN * drift_sigma, 2 * _SEEN_S / self.length_s)
        offset_s, unseen = self.offset_s, drift_sigma
        if not visible:  # a drift that is not seen is rather none
            fixed = [0, *range(2, 8)]
            total = squares.sum(axis=0)
            shift = np.linalg.lstsq(total[np.ix_(fixed, fixed)], total[fixed, 1], rcond=1e-12)[0]
            offset_s += float(shift[0]) * self.drift
            squares, products, unseen = squares[:, fixed][:, :, fixed], products[:, fixed], min(drift_sigma, _DRIFT)
        variance = float(_jackknife(squares, products)[0])
        return ClockFit(
            offset_s=offset_s,
            drift=self.drift if visible else 0.0,
            middle_s=self.middle_s,
            sigma_s=float(np.sqrt(variance + _FLOOR_S**2 + (unseen * self.length_s) ** 2 / 12)),
            drift_sigma=drift_sigma,
        )

    def _leftovers(self, length_s: float) -> Iterator[tuple[float, Array, Array, Array, Array, Array]]:
        """Give of each pair its time after the middle, the turn left over (3,), its information (3, 3), the columns
        (3, 8), and the camera's rate (3,) and velocity (3,), distances to the ground a second.
        """  # noqa: D205
        mounting = self._mounting.as_matrix()
        quaternion = tuple(float(part) for part in self._mounting.as_quat(scalar_first=True))
        nominal = {"camera_to_body_wxyz": quaternion, "camera_position_m": tuple(mounting @ self._arm)}
        module = self._module.model_copy(update={"alignment": self._module.alignment.model_copy(update=nominal)})
        stretch: _Stretch | None = None
        for first, second, matches in self._kept:
            late = 0.5 * (first + second) - self.middle_s
            if abs(late) > 0.5 * length_s or len(matches) < _FEWEST_MATCHES:
                continue
            first_s, second_s = (t + self.offset_s + self.drift * (t - self.middle_s) for t in (first, second))
            if stretch is None or second_s > stretch.end_s:
                stretch = _Stretch(self._gyro, self._bias, first_s)
            if not stretch.log.covers(first_s - 0.02, second_s + 0.02):
                continue
            plane = Plane(down=stretch.down_body(0.5 * (first_s + second_s)) @ mounting, distance_m=1.0)
            if plane.down[2] < 0.3:
                continue
            view = PairView(self._lens, module, stretch.log, first_s, second_s, plane)
            pair, good = view.geometry(matches)
            solution = solve(pair, None, 1.0, self._rng) if good.sum() >= _FEWEST_MATCHES else None
            if solution is None or solution.used.mean() < _LEAST_AGREE:
                continue
            left, information = _left_over(pair, solution)
            change = (stretch.log.rate(second_s) - stretch.log.rate(first_s)) @ mounting
            turned = skew(view.turned_rad()[None])[0]
            columns = np.column_stack([-change, -late * change, (second_s - first_s) * mounting.T, -turned])
            yield late, left, information, columns, view.turned_rad() / (second_s - first_s), solution.velocity_m_s


class _Stretch:
    """A minute of gyro: how the body turned, and which way was down."""

    def __init__(self, gyro: GyroSamples, bias_rad_s: Array, start_s: float) -> None:
        self.end_s = start_s + _CHUNK_S
        first, last = np.searchsorted(gyro.time_s, [start_s - _MARGIN_S, self.end_s + _MARGIN_S])
        part = gyro.part(slice(max(int(first) - 1, 0), int(last) + 1))
        self.log = RotationLog(Gyro(), keep_s=np.inf)
        rate = part.rate_rad_s - bias_rad_s
        self.log.append(GyroSamples(time_s=part.time_s, rate_rad_s=rate, accel_m_s2=None))
        self._time_s, self._up = part.time_s, None
        if part.accel_m_s2 is not None and np.isfinite(part.accel_m_s2).all() and len(part.time_s) > 2:
            force = np.einsum("nij,nj->ni", self.log.matrices(part.time_s), part.accel_m_s2)
            samples = max(round(_LEVEL_S / float(np.median(np.diff(part.time_s)))), 1)
            self._up = uniform_filter1d(force, samples, axis=0, mode="nearest")

    def down_body(self, time_s: float) -> Array:
        """Direction of gravity in body axes; level where no accelerometer says otherwise."""
        if self._up is None:
            return np.array([0.0, 0.0, 1.0])
        up = np.array([np.interp(time_s, self._time_s, axis) for axis in self._up.T])
        down = -up @ self.log.matrices(np.array([time_s]))[0]
        return np.asarray(down / np.linalg.norm(down))


def _left_over(pair: PairGeometry, solution: Solution) -> tuple[Array, Array]:
    """Turn of the camera (3,), rad, that the gyro has too much, and the information (3, 3) about it.

    Solved together with the velocity (Schur complement of the six normal equations) over the matches that agree.
    """
    used = solution.used
    rows, miss = solution.rows[used], solution.miss[used]
    turns = motion_of_turn(pair.second_ray[used])
    weight = np.linalg.inv(pair.covariance[used])
    weighted_rows, weighted_turns = weight @ rows, weight @ turns
    across = np.einsum("nij,nik->jk", rows, weighted_turns)
    square = np.einsum("nij,nik->jk", rows, weighted_rows)
    left = np.einsum("nij,nik->jk", turns, weighted_turns) - across.T @ np.linalg.solve(square, across)
    pull = np.einsum("nij,ni->j", weighted_turns, miss)
    return -np.linalg.solve(left, pull), left / solution.scale


def _swing(rate_rad_s: Array, velocity: Array) -> Array:
    """Find the arm (3,) by which the velocities (N, 3) go with the rates: ``velocity = rate x arm`` + constant.

    A hand turns about a wrist, and a path that bends within a pair of frames would pass for a late clock.
    """
    columns = skew(rate_rad_s - rate_rad_s.mean(axis=0)).reshape(-1, 3)
    return np.asarray(np.linalg.lstsq(columns, (velocity - velocity.mean(axis=0)).ravel(), rcond=1e-6)[0])


def _jackknife(squares: Array, products: Array) -> Array:
    """Variances of the solution, each block left out in turn."""
    count = len(squares)
    left, right = squares.sum(axis=0) - squares, products.sum(axis=0) - products
    found = np.stack([np.linalg.lstsq(a, b, rcond=1e-12)[0] for a, b in zip(left, right, strict=True)])
    return np.asarray((count - 1) / count * np.sum((found - found.mean(axis=0)) ** 2, axis=0))
