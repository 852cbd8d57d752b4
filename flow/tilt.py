"""Which way is down, in body axes, and how well that is known.

Three sources behind one interface: a logged attitude, gyro with accelerometer, or gyro and the assumption of flight that is
level on average.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.rotation import RotationLog, cross
from flow.series import AttitudeSamples, GyroSamples

Array: TypeAlias = NDArray[np.float64]
AttitudeSource: TypeAlias = Literal["logged", "inertial", "level"]

GRAVITY_M_S2 = 9.80665  # standard gravity; only its direction matters below


@dataclass(frozen=True, slots=True, kw_only=True)
class Tilt:
    """Unit vector of gravity in body axes and its one-sigma as a small turn, rad."""

    down_body: Array
    sigma_rad: float

    @property
    def R_level_body(self) -> Array:
        """Turns body vectors into level axes (forward, right, down): (3, 3).

        Forward is body x projected on the horizontal plane.
        """
        down = self.down_body
        forward = np.array([1.0, 0.0, 0.0]) - down[0] * down
        forward /= np.sqrt(forward @ forward)
        return np.stack([forward, cross(down[None], forward[None])[0], down])


class TiltSource:
    """Tells the tilt at a time. What a source does not need, it ignores."""

    def add_inertial(self, samples: GyroSamples) -> None:
        """Take gyro and accelerometer samples that the rotation log already has."""

    def add_logged(self, samples: AttitudeSamples) -> None:
        """Take logged roll and pitch."""

    def advance(self, until_s: float) -> None:
        """Use what was taken up to ``until_s``; later samples wait, so that it does not matter how they came."""

    def observe_velocity(self, time_s: float, velocity_body_m_s: Array) -> None:
        """Hear the speed that was measured, (3,) in body axes."""

    def at(self, time_s: float) -> Tilt | None:
        """Give the tilt, or None where it is not known."""
        raise NotImplementedError


class LoggedTilt(TiltSource):
    """Roll and pitch from an attitude log, interpolated as directions."""

    _HOLD_S = 0.051  # a sample speaks for so long where it has no neighbour

    def __init__(self, *, sigma_rad: float = np.radians(0.4), longest_gap_s: float = 0.25, keep_s: float = 2.0) -> None:
        self._sigma_rad = float(sigma_rad)
        self._longest_gap_s = longest_gap_s
        self._keep_s = keep_s
        self._time = np.empty(0)
        self._down = np.empty((0, 3))

    def add_logged(self, samples: AttitudeSamples) -> None:
        """Add samples in time order."""
        sr, cr = np.sin(samples.roll_rad), np.cos(samples.roll_rad)
        sp, cp = np.sin(samples.pitch_rad), np.cos(samples.pitch_rad)
        old = self._time > (samples.time_s[-1] if len(samples.time_s) else np.inf) - self._keep_s
        self._time = np.concatenate([self._time[old], samples.time_s])
        self._down = np.concatenate([self._down[old], np.column_stack([-sp, sr * cp, cr * cp])])

    def at(self, time_s: float) -> Tilt | None:
        """Tilt between the two samples around ``time_s``; None in a gap or far outside the log."""
        if len(self._time) == 0:
            return None
        after = int(np.searchsorted(self._time, time_s))
        before, after = max(after - 1, 0), min(after, len(self._time) - 1)
        gap = self._time[after] - self._time[before]
        if 0 < gap <= self._longest_gap_s:
            share = (time_s - self._time[before]) / gap
            down = (1 - share) * self._down[before] + share * self._down[after]
            return Tilt(down_body=down / np.linalg.norm(down), sigma_rad=self._sigma_rad)
        nearest = min(before, after, key=lambda k: abs(self._time[k] - time_s))
        if abs(self._time[nearest] - time_s) > self._HOLD_S:
            return None
        return Tilt(down_body=self._down[nearest], sigma_rad=self._sigma_rad)


class InertialTilt(TiltSource):
    """Complementary filter: gyro for the fast part, accelerometer for where down is on average.

    Specific force is averaged in the gyro's frame that does not rotate, where gravity stands still and the craft's
    own acceleration averages to its change of speed. That change is taken out with the speed this same log has just
    measured (:meth:`observe_velocity`), so that a long acceleration does not look like a tilt.

    Parameters
    ----------
    rotations
        The rotation log that the accelerometer samples belong to.
    memory_s
        Averaging time once settled, s. Longer: less accelerometer noise, more drift by gyro bias.
    sensor_sigma_rad
        What bias and mounting of the accelerometer leave.
    """

    _HOLE_S = 0.06  # rocking by 0.1 rad at 2.5 Hz and unseen for so long leaves 7 mrad; what was known goes beyond
    _BLIND_S = 0.5  # without speed for so long the average goes on without it
    _SPEED_CHANGE_M_S = 0.4  # typical change of speed in gusts, when it is not measured
    _SPEED_SIGMA_M_S = 0.03
    _DRIFT_RAD_S = 1e-3  # of what the gyro alone carries on, where the accelerometer is silent: what a bias may stray
    _LEAST_FORCE_M_S2 = 2.0  # on average; less is a dead sensor or a fall

    def __init__(self, rotations: RotationLog, *, memory_s: float = 5.0, sensor_sigma_rad: float = 0.008) -> None:
        self._rotations = rotations
        self._memory_s = memory_s
        self._sensor_sigma_rad = sensor_sigma_rad
        self._mean = np.zeros(3)  # specific force less acceleration, in the frame that does not rotate
        self._elapsed_s = 0.0
        self._speed_sigma = self._SPEED_CHANGE_M_S
        self._sum = np.zeros(3)
        self._sum_s = 0.0
        self._last_s: float | None = None
        self._waiting_s = np.empty(0)
        self._waiting = np.empty((0, 3))  # specific force, in the frame that does not rotate
        self._velocity: Array | None = None
        self._heard_s = np.inf
        self._holes_s = np.empty(0)  # where samples set in again

    def add_inertial(self, samples: GyroSamples) -> None:
        """Add samples in time order; the rotation log must have been given them already."""
        if samples.accel_m_s2 is None:
            return
        steps = np.diff(samples.time_s, prepend=self._heard_s)
        hole = steps > max(self._HOLE_S, self._rotations.longest_hole_s)
        self._holes_s = np.concatenate([self._holes_s, samples.time_s[hole]])
        self._heard_s = float(samples.time_s[-1])
        good = np.isfinite(samples.accel_m_s2).all(axis=1)
        # Turned at once: by the time that they are used, the rotations of a long gap between frames are forgotten.
        turns = self._rotations.matrices(samples.time_s[good])
        self._waiting_s = np.concatenate([self._waiting_s, samples.time_s[good]])
        self._waiting = np.concatenate([self._waiting, (turns @ samples.accel_m_s2[good][:, :, None])[:, :, 0]])

    def advance(self, until_s: float) -> None:
        """Use the samples up to ``until_s``; later ones wait, so that it does not matter how they came."""
        if len(self._holes_s) and self._holes_s[0] <= until_s:
            self._start_again(self._holes_s[self._holes_s <= until_s][-1])
        count = int(np.searchsorted(self._waiting_s, until_s, "right"))
        if count == 0:
            return
        time, force = self._waiting_s[:count], self._waiting[:count]
        self._waiting_s, self._waiting = self._waiting_s[count:], self._waiting[count:]
        steps = np.diff(time, prepend=time[0] if self._last_s is None else self._last_s)
        steps = np.clip(steps, 1e-6, 0.1)
        self._last_s = float(time[-1])
        self._sum += force.T @ steps
        self._sum_s += float(steps.sum())
        if self._elapsed_s == 0.0 or self._sum_s > self._BLIND_S:
            self._velocity = None
            self._speed_sigma = self._SPEED_CHANGE_M_S
            self._absorb(np.zeros(3))

    def observe_velocity(self, time_s: float, velocity_body_m_s: Array) -> None:
        """Tell the filter the speed that was measured, (3,) in body axes."""
        velocity = self._rotations.matrices(np.array([time_s]))[0] @ velocity_body_m_s
        if self._velocity is not None and self._sum_s > 0:
            self._absorb(velocity - self._velocity)
            self._speed_sigma = max(self._SPEED_SIGMA_M_S, self._speed_sigma * 0.98)
        self._velocity = velocity

    def at(self, time_s: float) -> Tilt | None:
        """Tilt at ``time_s``; None before the first accelerometer sample and where nothing weighs."""
        size = float(np.linalg.norm(self._mean))
        if self._elapsed_s == 0.0 or size < self._LEAST_FORCE_M_S2:
            return None
        up = self._mean @ self._rotations.matrices(np.array([time_s]))[0]
        unsettled = self._speed_sigma / (GRAVITY_M_S2 * min(self._elapsed_s, self._memory_s))
        silent_s = 0.0 if self._last_s is None else max(time_s - self._last_s, 0.0)
        sigma = float(np.hypot(self._sensor_sigma_rad, min(unsettled, 0.1))) + self._DRIFT_RAD_S * silent_s
        return Tilt(down_body=-up / size, sigma_rad=sigma)

    def _start_again(self, time_s: float) -> None:
        """Forget what was known before ``time_s``: how the craft turned until then is not known."""
        self._holes_s = self._holes_s[self._holes_s > time_s]
        kept = self._waiting_s >= time_s
        self._waiting_s, self._waiting = self._waiting_s[kept], self._waiting[kept]
        self._mean, self._sum = np.zeros(3), np.zeros(3)
        self._elapsed_s = self._sum_s = 0.0
        self._speed_sigma = self._SPEED_CHANGE_M_S
        self._last_s = self._velocity = None

    def _absorb(self, speed_change: Array) -> None:
        span = self._sum_s
        self._elapsed_s += span
        gain = span / min(self._elapsed_s, max(self._memory_s, span))
        self._mean += gain * ((self._sum - speed_change) / span - self._mean)
        self._sum, self._sum_s = np.zeros(3), 0.0


class AssumedLevel(InertialTilt):
    """No accelerometer: the craft is taken as level on average, and the sigma says how far that may be off.

    The gyro tells how it rocks about that average.
    """

    _SPEED_CHANGE_M_S = 0.0  # it is assumed from the start, and gets no better

    def __init__(self, rotations: RotationLog, *, sigma_rad: float = np.radians(4.0)) -> None:
        super().__init__(rotations, sensor_sigma_rad=float(sigma_rad))

    def add_inertial(self, samples: GyroSamples) -> None:
        """Add samples in time order; the rotation log must have been given them already."""
        level = np.tile([0.0, 0.0, -GRAVITY_M_S2], (len(samples.time_s), 1))
        super().add_inertial(replace(samples, accel_m_s2=level))

    def observe_velocity(self, time_s: float, velocity_body_m_s: Array) -> None:
        """Hear nothing: a change of speed is no force here."""


def tilt_source(attitude: AttitudeSource, rotations: RotationLog) -> TiltSource:
    """Make a source: ``logged`` roll and pitch, ``inertial`` from gyro and accelerometer, or ``level`` by assumption."""
    if attitude == "logged":
        return LoggedTilt()
    return InertialTilt(rotations) if attitude == "inertial" else AssumedLevel(rotations)
