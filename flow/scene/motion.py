"""Smooth body motions whose derivatives are exact.

A motion is one quintic spline over six channels: position (x north, y east, z down, the ground at z = 0) and
roll, pitch, yaw (intrinsic z-y-x). The spline *is* the motion: velocity, turn rate and specific force come
from its own derivatives, so the truth has no error beyond rounding. Four derivatives are continuous.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import BSpline, make_interp_spline
from scipy.spatial.transform import Rotation

Array: TypeAlias = NDArray[np.float64]
STANDARD_GRAVITY_M_S2 = 9.80665
"""CGPM 1901."""

_KNOT_S = 0.01  # five knots in the shortest period any builder but the vibration uses
# Quintic interpolation of a sine with 24 knots a period is off by 2e-8 of its amplitude, the first derivative by 3e-7 and the
# second by 7e-6 of theirs (measured; the error of the values goes with the sixth power of the step).
_KNOTS_PER_PERIOD = 24
_MARGIN_S = 2.0  # a motion is defined this long before its start and after its end


@dataclass(frozen=True, slots=True, kw_only=True)
class Motion:
    """Position and attitude of the body over time on the gyro clock.

    Parameters
    ----------
    channels
        Spline of (x, y, z, roll, pitch, yaw), m and rad.
    duration_s
        The motion proper runs from 0 to here; it is defined 2 s before and after too.
    knot_s
        Distance of the spline's knots.
    """

    channels: BSpline[np.float64]
    duration_s: float
    knot_s: float = _KNOT_S
    _first: BSpline[np.float64] = field(init=False, repr=False)
    _second: BSpline[np.float64] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_first", self.channels.derivative(1))
        object.__setattr__(self, "_second", self.channels.derivative(2))

    def pose(self, time_s: ArrayLike) -> tuple[Array, Rotation]:
        """Position (..., 3) in the level frame, m, and the rotation ``R_level_body`` there."""
        values = self.channels(self._inside(time_s))
        return values[..., :3], Rotation.from_euler("ZYX", values[..., 5:2:-1].reshape(-1, 3))

    def yaw(self, time_s: ArrayLike) -> Array:
        """Yaw, rad, not wrapped."""
        return np.asarray(self.channels(self._inside(time_s))[..., 5])

    def velocity(self, time_s: ArrayLike) -> Array:
        """Velocity (..., 3) of the body origin, north, east, down, m/s."""
        return np.asarray(self._first(self._inside(time_s))[..., :3])

    def level_velocity(self, time_s: ArrayLike) -> Array:
        """Velocity (..., 3) of the body origin in level axes: forward, right, down, m/s."""
        north, east, down = np.moveaxis(self.velocity(time_s), -1, 0)
        yaw = self.yaw(time_s)
        cos, sin = np.cos(yaw), np.sin(yaw)
        return np.stack([cos * north + sin * east, cos * east - sin * north, down], axis=-1)

    def rate_body(self, time_s: ArrayLike) -> Array:
        """Angular rate (..., 3) about body x, y, z, rad/s: the kinematics of intrinsic z-y-x angles."""
        at = self._inside(time_s)
        roll, pitch = np.moveaxis(self.channels(at)[..., 3:5], -1, 0)
        d_roll, d_pitch, d_yaw = np.moveaxis(self._first(at)[..., 3:], -1, 0)
        return np.stack(
            [
                d_roll - d_yaw * np.sin(pitch),
                d_pitch * np.cos(roll) + d_yaw * np.cos(pitch) * np.sin(roll),
                -d_pitch * np.sin(roll) + d_yaw * np.cos(pitch) * np.cos(roll),
            ],
            axis=-1,
        )

    def acceleration(self, time_s: ArrayLike) -> Array:
        """Acceleration (..., 3) of the body origin, north, east, down, m/s^2."""
        return np.asarray(self._second(self._inside(time_s))[..., :3])

    def specific_force(self, time_s: ArrayLike) -> Array:
        """Specific force (..., 3) at the body origin, body axes, m/s^2; (0, 0, -9.8) level at rest."""
        force = self.acceleration(time_s) - [0.0, 0.0, STANDARD_GRAVITY_M_S2]
        _, R_level_body = self.pose(time_s)
        return R_level_body.inv().apply(force.reshape(-1, 3)).reshape(force.shape)

    def __add__(self, other: Motion) -> Motion:
        """Sum of the channels of two motions, for example a pass and the gusts on top of it."""
        duration, knot_s = min(self.duration_s, other.duration_s), min(self.knot_s, other.knot_s)
        return from_function(lambda t: self.channels(t) + other.channels(t), duration, knot_s=knot_s)

    def _inside(self, time_s: ArrayLike) -> Array:
        t = np.asarray(time_s, float)
        if t.size and not (t.min() >= -_MARGIN_S - 1e-9 and t.max() <= self.duration_s + _MARGIN_S + 1e-9):
            raise ValueError(f"time {t.min():.3f}..{t.max():.3f} s is outside the motion of {self.duration_s:.3f} s")
        return t


def from_function(channels: Callable[[Array], Array], duration_s: float, *, knot_s: float = _KNOT_S) -> Motion:
    """Motion through samples of a function of time, (N,) to (N, 6), taken every 10 ms or every ``knot_s``."""
    count = int(np.ceil((duration_s + 2 * _MARGIN_S) / knot_s)) + 1
    knots = np.linspace(-_MARGIN_S, duration_s + _MARGIN_S, count)
    return Motion(channels=make_interp_spline(knots, channels(knots), k=5), duration_s=duration_s, knot_s=knot_s)


def straight(
    duration_s: float,
    *,
    height_m: float,
    speed_m_s: float = 0.0,
    heading_rad: float = 0.0,
    climb_m_s: float = 0.0,
    roll_rad: float = 0.0,
    pitch_rad: float = 0.0,
    yaw_rad: float = 0.0,
    yaw_rate_rad_s: float = 0.0,
) -> Motion:
    """Move straight at a constant speed, tilt and yaw rate: a pass, a slider, a climb, a turn, rest.

    ``heading_rad`` is the direction of travel, clockwise from north; ``yaw_rad`` is where the nose points at
    the start. ``height_m`` is the height at the start.
    """

    def channels(t: Array) -> Array:
        travelled = speed_m_s * t
        return np.column_stack(
            [
                travelled * np.cos(heading_rad), travelled * np.sin(heading_rad), -height_m - climb_m_s * t,
                np.full_like(t, roll_rad), np.full_like(t, pitch_rad), yaw_rad + yaw_rate_rad_s * t,
            ]
        )  # fmt: skip

    return from_function(channels, duration_s)


def gusts(
    duration_s: float,
    *,
    seed: int,
    wander_m: float = 0.06,
    wander_hz: tuple[float, float] = (0.05, 0.8),
    rock_rad: float = 0.03,
    rock_hz: tuple[float, float] = (0.4, 2.5),
    yaw_rad: float = 0.03,
    strength: float = 1.0,
) -> Motion:
    """Hold still in gusts: band-limited random wander (RMS, vertical a third of it) and rocking (RMS)."""
    rng = np.random.default_rng(seed)
    scale = strength * np.array([wander_m, wander_m, wander_m / 3, rock_rad, rock_rad, yaw_rad])
    waves = [_random_waves(rng, *(wander_hz if k < 3 else rock_hz)) for k in range(6)]
    return from_function(lambda t: np.column_stack([w(t) for w in waves]) * scale, duration_s)


def vibration(
    duration_s: float,
    *,
    frequency_hz: float,
    amplitude_rad: tuple[float, float, float] = (1.75e-3, 1.75e-3, 0.0),
    phase_rad: tuple[float, float, float] = (0.0, np.pi / 2, 0.0),
) -> Motion:
    """Shake the body's attitude as an unbalanced propeller does; add it to the motion that is shaken.

    Roll, pitch and yaw are sines of one frequency about the body origin, which itself stays where it is: its speed over
    ground is that of the motion that is shaken. A camera off the origin moves with it.

    Parameters
    ----------
    duration_s
        How long, s.
    frequency_hz
        Turns of the propeller a second: 90 to 180 Hz for propellers of 10 to 25 cm (common practice, from memory).
    amplitude_rad
        Peak of roll, pitch and yaw, rad. By default 0.1 degrees of roll and pitch, a quarter period apart, so that the
        body's z axis goes round a cone.
    phase_rad
        Phase of each sine at time 0.
    """
    amplitude, phase = np.array(amplitude_rad), np.array(phase_rad)

    def channels(t: Array) -> Array:
        turn = amplitude * np.sin(2 * np.pi * frequency_hz * t[:, None] + phase)
        return np.hstack([np.zeros_like(turn), turn])

    return from_function(channels, duration_s, knot_s=min(_KNOT_S, 1 / (_KNOTS_PER_PERIOD * frequency_hz)))


def hand_turned(
    duration_s: float,
    *,
    seed: int,
    height_m: float,
    wrist_m: float = 0.22,
    swing_rad: float = 0.22,
    swing_hz: tuple[float, float] = (0.25, 1.1),
) -> Motion:
    """Turn a module by hand: swing about all axes (RMS ``swing_rad``) round a wrist ``wrist_m`` above it."""
    rng = np.random.default_rng(seed)
    turn = [_random_waves(rng, *swing_hz) for _ in range(3)]
    drift = [_random_waves(rng, 0.1, 0.4) for _ in range(3)]

    def channels(t: Array) -> Array:
        roll, pitch, yaw = (swing_rad * k * w(t) for k, w in zip((1.0, 1.0, 1.4), turn, strict=True))
        R_level_body = Rotation.from_euler("ZYX", np.column_stack([yaw, pitch, roll]))
        wrist = np.column_stack([0.02 * w(t) for w in drift]) - [0, 0, height_m + wrist_m]
        position = wrist + R_level_body.apply([0.3 * wrist_m, 0.1 * wrist_m, 0.95 * wrist_m])
        return np.column_stack([position, roll, pitch, yaw])

    return from_function(channels, duration_s)


def tour(
    duration_s: float,
    *,
    height_m: float,
    speed_m_s: float,
    seed: int,
    turn_rad: float = np.pi / 2,
    gust: float = 1.0,
) -> Motion:
    """Hover in gusts, pass forward, turn while flying, stop and hover: shares 3 : 4 : 2 : 3 of the time."""
    begin, turn, stop = (duration_s * share for share in (3 / 12, 7 / 12, 9 / 12))
    ease = duration_s / 12

    def forward(t: Array) -> Array:
        return speed_m_s * (_eased((t - begin) / ease) - _eased((t - stop) / ease))

    def yaw(t: Array) -> Array:
        return turn_rad * _eased((t - turn) / (stop - turn))

    def rates(t: Array) -> Array:
        return np.column_stack([forward(t) * np.cos(yaw(t)), forward(t) * np.sin(yaw(t))])

    fine = np.arange(-_MARGIN_S, duration_s + _MARGIN_S + _KNOT_S, _KNOT_S)
    travelled = make_interp_spline(fine, rates(fine), k=5).antiderivative()

    def channels(t: Array) -> Array:
        step = 1e-3
        braking = (forward(t + step) - forward(t - step)) / (2 * step)
        # A multirotor leans into its acceleration: pitch down (negative) to gain speed.
        pitch = -np.arctan(braking / STANDARD_GRAVITY_M_S2) - 0.02 * forward(t)
        return np.column_stack([travelled(t), np.full_like(t, -height_m), np.zeros_like(t), pitch, yaw(t)])

    return from_function(channels, duration_s) + gusts(duration_s, seed=seed, strength=gust)


def _random_waves(rng: np.random.Generator, low_hz: float, high_hz: float) -> Callable[[Array], Array]:
    """Unit-RMS sum of 24 sines spread over a band, amplitude falling as 1/frequency."""
    frequency = np.geomspace(low_hz, high_hz, 25)
    frequency = frequency[:-1] * (frequency[1:] / frequency[:-1]) ** rng.random(24)
    amplitude = (1 / frequency) / np.sqrt(np.sum(0.5 / frequency**2))
    phase = rng.uniform(0, 2 * np.pi, 24)
    return lambda t: np.asarray(np.sin(2 * np.pi * t[:, None] * frequency + phase) @ amplitude)


def _eased(share: Array) -> Array:
    """Step from 0 to 1 with four continuous derivatives (the ninth-degree smoothstep)."""
    x = np.clip(share, 0, 1)
    return np.asarray(x**5 * (126 + x * (-420 + x * (540 + x * (-315 + x * 70)))))
