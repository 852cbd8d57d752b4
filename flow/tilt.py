"""Which way is down, in body axes, and how well that is known.

Sources behind one interface: a logged attitude, or gyro and the assumption of flight that is level on average; with an
accelerometer the filter of what moves tells it (:mod:`flow.motion`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.inertial_sensors import HOLE_S
from flow.rotation import RotationLog, cross
from flow.series import AttitudeSamples, GyroSamples

Array: TypeAlias = NDArray[np.float64]
AttitudeSource: TypeAlias = Literal["logged", "inertial", "level"]

TILT_LASTS_S = 5.0  # prior: s, a wrong tilt leans level velocities the same way for so long


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

    def at(self, time_s: float) -> Tilt | None:
        """Give the tilt, or None where it is not known."""
        raise NotImplementedError


class LoggedTilt(TiltSource):
    """Roll and pitch from an attitude log, interpolated as directions."""

    _HOLD_S = 0.051  # a sample speaks for so long where it has no neighbour

    def __init__(
        self,
        *,
        sigma_rad: float = np.radians(0.4),
        longest_gap_s: float = 0.25,
        keep_s: float = 2.0,  # size: s, a buffer
    ) -> None:
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


class AssumedLevel(TiltSource):
    """No accelerometer: the craft is taken as level on average, and the sigma says how far that may be off.

    The gyro tells how it rocks about that average, which is taken in the local inertial frame.

    Parameters
    ----------
    rotations
        The rotation log.
    sigma_rad
        How far a small rotorcraft leans on average, to hold against wind or to fly (common practice, from memory: some degrees).
    memory_s
        Averaging time, s. Longer: less of a slow rocking taken for level, more drift by gyro bias.
    """

    _LEAST_MEAN = 0.2  # size: of a unit vector, of directions all around: a craft that turns over

    def __init__(
        self,
        rotations: RotationLog,
        *,
        sigma_rad: float = float(np.radians(4.0)),  # prior: rad one-sigma, common practice, from memory
        memory_s: float = 5.0,  # size: s, of the running mean
    ) -> None:
        self._rotations, self._sigma_rad, self._memory_s = rotations, sigma_rad, memory_s
        self._mean, self._elapsed_s = np.zeros(3), 0.0  # of body z, local inertial frame
        self._waiting_s, self._waiting = np.empty(0), np.empty((0, 3))
        self._heard_s, self._used_s = np.inf, np.inf
        self._holes_s = np.empty(0)  # where samples set in again

    def add_inertial(self, samples: GyroSamples) -> None:
        """Add samples in time order; the rotation log must have been given them already."""
        steps = np.diff(samples.time_s, prepend=self._heard_s)
        hole = steps > max(HOLE_S, self._rotations.longest_hole_s)
        self._holes_s = np.concatenate([self._holes_s, samples.time_s[hole]])
        self._heard_s = float(samples.time_s[-1])
        # Turned at once: by the time that they are used, the rotations of a long gap between frames are forgotten.
        self._waiting_s = np.concatenate([self._waiting_s, samples.time_s])
        self._waiting = np.concatenate([self._waiting, self._rotations.matrices(samples.time_s)[:, :, 2]])

    def advance(self, until_s: float) -> None:
        """Use the samples up to ``until_s``; later ones wait, so that it does not matter how they came."""
        begun_s = self._holes_s[self._holes_s <= until_s]
        if len(begun_s):  # how the craft turned until then is not known
            self._holes_s = self._holes_s[len(begun_s) :]
            self._mean, self._elapsed_s, self._used_s = np.zeros(3), 0.0, np.inf
        first = int(np.searchsorted(self._waiting_s, begun_s[-1])) if len(begun_s) else 0
        stop = int(np.searchsorted(self._waiting_s, until_s, "right"))
        time_s, body_z = self._waiting_s[first:stop], self._waiting[first:stop]
        self._waiting_s, self._waiting = self._waiting_s[stop:], self._waiting[stop:]
        if not len(time_s):
            return
        steps = np.maximum(np.diff(time_s, prepend=min(self._used_s, float(time_s[0]))), 1e-6)
        span_s = float(steps.sum())
        self._used_s, self._elapsed_s = float(time_s[-1]), self._elapsed_s + span_s
        gain = span_s / min(self._elapsed_s, max(self._memory_s, span_s))
        self._mean = self._mean + gain * (steps @ body_z / span_s - self._mean)

    def at(self, time_s: float) -> Tilt | None:
        """Tilt at ``time_s``; None before the first sample and where the craft turned over meanwhile."""
        size = float(np.linalg.norm(self._mean))
        if size < self._LEAST_MEAN:
            return None
        down = self._mean @ self._rotations.matrices(np.array([time_s]))[0]
        return Tilt(down_body=down / size, sigma_rad=self._sigma_rad)
