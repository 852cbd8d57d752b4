"""What the matches of a module turned by hand over a plane say, given its mounting, clock, bias and readout.

The scene does not move, so its plane has a normal that is constant in the frame that does not rotate, which the gyro
keeps. In each pair the camera's displacement, in units of its distance to the plane, is free: a hand turns about the
wrist, not about the lens. The equations are those of :mod:`flow.pair.equations`, two a match and linear in the displacement.

With rolling rows the path within a pair matters too: a hand that speeds up is not on the chord at the first row. The
*bend*, how far the velocity at either end is from that of the chord, comes from the neighbouring pairs. Without it, half
a metre a second squared costs 0.2 ms of clock.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import make_smoothing_spline
from scipy.spatial.transform import Rotation

from calib.turn_pairs import TurnPairs
from flow.camera import Lens
from flow.module import Camera, Gyro
from flow.rotation import RotationLog
from flow.series import GyroSamples

Array: TypeAlias = NDArray[np.float64]

UNKNOWNS = (
    *("turn_x", "turn_y", "turn_z", "clock", "bias_x", "bias_y", "bias_z", "tilt_1", "tilt_2", "readout"),
    *("focal", "k1", "k2"),
)
"""Order of a step: rad about body axes, s, rad/s, rad of the plane's normal, s; of the lens the logarithm of the focal
length and the first two terms of the distortion."""

_WIDEST = 2.5  # tan of the angle off the axis (68 degrees): beyond, unit-depth rays stretch noise too far
_ROWS = np.array([-0.5, 0.0, 0.5])  # where the rotation of a frame is integrated; a parabola in between (1e-6 rad)
_FASTEST_HZ = 8.0  # of a hand's own translation


@dataclass(frozen=True, slots=True, kw_only=True)
class Unknowns:
    """Values to be found.

    ``normal`` (3,) is the plane's, of length 1, in the frame that does not rotate; ``lens`` what the lens has beyond the
    module file's (logarithm of the focal length, first two terms of the distortion). ``gyro_scale`` is what the gyro reads
    over the rotation: 1 in a fit, which only asks what another would do.
    """

    R_body_camera: Rotation
    time_offset_s: float
    bias_rad_s: Array
    readout_s: float
    normal: Array
    gyro_scale: float = 1.0
    lens: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def moved(self, step: Array) -> Unknowns:
        """Take a step (13,) in the order of ``UNKNOWNS``."""
        focal, k1, k2 = (float(was + by) for was, by in zip(self.lens, step[10:], strict=True))
        normal = self.normal + step[7:9] @ _across(self.normal)
        return Unknowns(
            R_body_camera=Rotation.from_rotvec(step[:3]) * self.R_body_camera,
            time_offset_s=self.time_offset_s + float(step[3]),
            bias_rad_s=self.bias_rad_s + step[4:7],
            readout_s=self.readout_s + float(step[9]),
            normal=normal / np.linalg.norm(normal),
            gyro_scale=self.gyro_scale,
            lens=(focal, k1, k2),
        )

    def camera(self, camera: Camera) -> Camera:
        """Give the camera section with these figures of the lens and the shutter."""
        return _with_lens(camera, self.lens).model_copy(update={"readout_s": self.readout_s})


@dataclass(frozen=True, slots=True, kw_only=True)
class Bend:
    """Velocity at either end of each pair less that of the chord, (P, 3), a second, non-rotating frame."""

    first: Array
    second: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Equations:
    """``rows`` (P, T, 2, 3) times the displacement of a pair gives ``target`` (P, T, 2), in ray coordinates.

    ``second_ray`` (P, T, 2) are rays of the second frame, turned to the middle of the pair.
    """

    rows: Array
    target: Array
    second_ray: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class _ThroughLens:
    """What one lens makes of the matches: rays (P, 3, T) of both ends, and the noise of the second."""

    first: Array
    second: Array
    covariance: Array
    px_per_ray: Array


class TurnModel:
    """The equations of P pairs of T matches for any values of the unknowns.

    Attributes
    ----------
    known
        Which matches (P, T) there are, NaN and rays too far off the axis left out.
    covariance
        (P, T, 2, 2) of the second ray's x and y, up to a common factor.
    px_per_ray
        (P, T, 2, 2) pixels that a change of the second ray makes.
    """

    def __init__(self, pairs: TurnPairs, gyro: GyroSamples, camera: Camera) -> None:
        self.pairs, self.camera, self._gyro = pairs, camera, gyro
        self._span_s = (pairs.second_s - pairs.first_s)[:, None]
        known = pairs.known
        for px in (pairs.first_px, pairs.second_px):
            rays = _rays(Lens(camera), px, known)
            known &= np.hypot(rays[:, 0], rays[:, 1]) < _WIDEST
        self.known = known
        self._lenses: dict[tuple[float, float, float], _ThroughLens] = {}
        as_filed = self._through((0.0, 0.0, 0.0))
        self.px_per_ray = as_filed.px_per_ray
        self.covariance = as_filed.covariance
        high = camera.height_px
        self._row0, self._row1 = (
            np.where(known, (px[..., 1] + 0.5) / high - 0.5, 0.0) for px in (pairs.first_px, pairs.second_px)
        )
        self._share0, self._share1 = _parabola(self._row0), _parabola(self._row1)
        self._logs: dict[bytes, RotationLog] = {}

    def noise_at(self, at: Unknowns) -> tuple[Array, Array]:
        """Give ``covariance`` and ``px_per_ray`` through the lens of ``at``."""
        through = self._through(at.lens)
        return through.covariance, through.px_per_ray

    def camera_turns(self, at: Unknowns, camera_s: Array) -> Array:
        """Turn camera vectors at each of ``camera_s`` (any shape) into the frame that does not rotate."""
        times = (camera_s + at.time_offset_s).ravel()
        turns = self._log(at.bias_rad_s, at.gyro_scale).matrices(times) @ at.R_body_camera.as_matrix()
        return np.asarray(turns.reshape(*camera_s.shape, 3, 3))

    def equations(self, at: Unknowns, bend: Bend | None = None) -> Equations:
        """Set up the equations; without ``bend`` the velocity within each pair is constant."""
        pairs = self.pairs
        rows_s = _ROWS * at.readout_s
        ends = np.concatenate([pairs.first_s[:, None] + rows_s, pairs.second_s[:, None] + rows_s], axis=1)
        turns = self.camera_turns(at, np.concatenate([pairs.middle_s[:, None], ends], axis=1))
        middle = turns[:, 0]
        relative = middle[:, None].transpose(0, 1, 3, 2) @ turns[:, 1:]
        through = self._through(at.lens)
        b0 = _turned(relative[:, :3], self._share0, through.first)
        b1 = _turned(relative[:, 3:], self._share1, through.second)
        normal = at.normal @ middle
        # Distance over depth; what lies beyond the plane's horizon counts as infinitely far.
        near = np.maximum(np.einsum("pi,pit->pt", normal, b0), 0.0)
        # Ends of the chord before and after the middle, in units of the interval.
        before = -0.5 + self._row0 * at.readout_s / self._span_s
        after = 0.5 + self._row1 * at.readout_s / self._span_s
        rows = ((b0[:, :2] - b1[:, :2]) * before[:, None])[..., None] * normal[:, None, None]
        for axis in range(2):
            rows[:, axis, :, axis] += (after - before) * near
        rows[..., 2] -= b1[:, :2] * ((after - before) * near)[:, None]
        fixed = b0 if bend is None else self._bent(b0, near, normal, middle, at.readout_s, bend)
        target = fixed[:, :2] - b1[:, :2] * fixed[:, 2:]
        return Equations(
            rows=rows.transpose(0, 2, 1, 3),
            target=target.transpose(0, 2, 1),
            second_ray=b1[:, :2].transpose(0, 2, 1),
        )

    def bend(self, at: Unknowns, displacement: Array) -> Bend:
        """Bend of the path that the displacements (P, 3) of all pairs, one after the other, show."""
        pairs = self.pairs
        speed = np.einsum("pij,pj->pi", self.camera_turns(at, pairs.middle_s), displacement) / self._span_s
        step_s = float(np.median(np.diff(pairs.middle_s)))
        # A smoothing spline passes frequencies w by 1 / (1 + lam w^4 step).
        path = make_smoothing_spline(pairs.middle_s, speed, lam=1 / (step_s * (2 * np.pi * _FASTEST_HZ) ** 4))
        # A displacement over T gives the mean velocity, v + T^2 v'' / 24 to third order.
        chord, narrower, curved = path(pairs.middle_s), self._span_s**2 / 24, path.derivative(2)
        first, second = (path(end) - narrower * curved(end) - chord for end in (pairs.first_s, pairs.second_s))
        return Bend(first=first, second=second)

    def _bent(self, b0: Array, near: Array, normal: Array, middle: Array, readout_s: float, bend: Bend) -> Array:
        """Move the points seen along ``b0`` as the bend moves the camera at both ends, over their depth."""
        off0, off1 = (
            np.einsum("pij,pi->pj", middle, velocity)[:, :, None] * (row * readout_s)[:, None]
            for velocity, row in ((bend.first, self._row0), (bend.second, self._row1))
        )
        return np.asarray(b0 * (1 - np.einsum("pi,pit->pt", normal, off0))[:, None] + near[:, None] * (off0 - off1))

    def _through(self, lens: tuple[float, float, float]) -> _ThroughLens:
        if lens not in self._lenses:
            if len(self._lenses) > 4:  # the last few serve a numerical derivative
                self._lenses.pop(next(iter(self._lenses)))
            self._lenses[lens] = _through_lens(Lens(_with_lens(self.camera, lens)), self.pairs, self.known)
        return self._lenses[lens]

    def _log(self, bias_rad_s: Array, scale: float) -> RotationLog:
        key = np.append(bias_rad_s, scale).tobytes()
        if key not in self._logs:
            if len(self._logs) > 2:  # the last few serve a numerical derivative
                self._logs.pop(next(iter(self._logs)))
            log = RotationLog(Gyro(), keep_s=np.inf)
            rate = (self._gyro.rate_rad_s - bias_rad_s) / scale
            log.append(GyroSamples(time_s=self._gyro.time_s, rate_rad_s=rate, accel_m_s2=None))
            self._logs[key] = log
        return self._logs[key]


def _filled(pixels: Array, known: NDArray[np.bool_]) -> Array:
    return np.where(known[..., None], pixels, 50.0)


def _rays(lens: Lens, pixels: Array, known: NDArray[np.bool_]) -> Array:
    """Rays (P, 3, T); NaN where the lens has none."""
    rays = lens.rays(_filled(pixels, known).reshape(-1, 2)).reshape(pixels.shape)
    return np.concatenate([rays, np.ones((*known.shape, 1))], axis=2).transpose(0, 2, 1)


def _through_lens(lens: Lens, pairs: TurnPairs, known: NDArray[np.bool_]) -> _ThroughLens:
    """Take the matches through a lens; where it has no ray, as on the axis, so that the match speaks against it."""
    ahead = np.array([[0.0], [0.0], [1.0]])
    ends = []
    for px in (pairs.first_px, pairs.second_px):
        rays = _rays(lens, px, known)
        ends.append(np.where((known & np.isfinite(rays).all(axis=1))[:, None], rays, ahead))
    ray_per_px = lens.ray_per_pixel(ends[1][:, :2].transpose(0, 2, 1)).reshape(*known.shape, 2, 2)
    ray_per_px[~known] = np.eye(2)
    return _ThroughLens(
        first=ends[0],
        second=ends[1],
        covariance=ray_per_px @ pairs.covariance_px2 @ ray_per_px.transpose(0, 1, 3, 2),
        px_per_ray=np.asarray(np.linalg.inv(ray_per_px), np.float64),
    )


def _with_lens(camera: Camera, lens: tuple[float, float, float]) -> Camera:
    """Change focal length and distortion of a camera section; not checked, as a fit may try anything."""
    longer, terms = float(np.exp(lens[0])), camera.distortion_terms
    terms[:2] += lens[1:]
    update = {"fx_px": camera.fx_px * longer, "fy_px": camera.fy_px * longer, "distortion": tuple(map(float, terms))}
    return camera.model_copy(update=update)


def _parabola(row: Array) -> Array:
    """Lagrange's weights (3, P, T) of ``_ROWS`` at each row."""
    return np.stack([2 * row * (row - 0.5), 1 - 4 * row * row, 2 * row * (row + 0.5)])


def _turned(turns: Array, shares: Array, rays: Array) -> Array:
    out = sum(share[:, None] * (turns[:, k] @ rays) for k, share in enumerate(shares))
    return np.asarray(out / out[:, 2:])


def _across(normal: Array) -> Array:
    """Two directions (2, 3) across ``normal``."""
    first = np.cross(normal, np.eye(3)[np.abs(normal).argmin()])
    first /= np.linalg.norm(first)
    return np.array([first, np.cross(normal, first)])
