"""What moves, followed from pair to pair of frames: velocity, acceleration and the direction down, each with its sigma."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.force_sum import ForceSum
from flow.inertial_sensors import GRAVITY_M_S2, HOLE_S
from flow.module import Module
from flow.motion import gravity
from flow.motion import layout as at
from flow.motion.acceleration import Acceleration
from flow.motion.change import Change, Leftover, change
from flow.motion.kalman import Corrected, correct, predict
from flow.motion.noise import MotionNoise
from flow.motion.process import acceleration_of, process
from flow.motion.rocking import Rocking
from flow.motion.row import FRAME_SHARE, SAME_FRAME_S, VelocityRow
from flow.rotation import RotationLog
from flow.series import GyroSamples
from flow.tilt import Tilt

Array: TypeAlias = NDArray[np.float64]

_GATE = 16.27  # rate: 1 in 1000 honest rows, the chi-square point of three degrees of freedom
_CONTRADICTIONS = 4  # rate: 1 in 1e12 by chance, rows running beyond the gate: it is the state that is wrong
# size: s, twice what a step of one second's gravity needs to show in rows; contradicted again sooner, it is gravity
_SETTLED_S = 0.4
_RECENT_S = 0.3  # size: s, an acceleration of 0.5 m/s^2 unseen for longer moves a start of the search by 0.15 m/s
_BLIND_S = 0.5  # size: s, as long as a gust lasts: without a row for so long, the velocity is held to what it was ...
_GUST_M_S = 0.4  # prior: m/s one-sigma, ... within a typical change of speed in gusts
_UNKNOWN_M_S = 10.0  # prior: m/s one-sigma, no small rotorcraft between plants is faster
_LARGEST_ACCELERATION_M_S2 = 1.0  # prior: m/s^2 one-sigma, at any moment: 0.1 rad of the specific force
_BEFORE_S = 1.0  # size: s, as long as the preintegration is kept: the first direction down is that of its mean force
_LEAST_FORCE_M_S2 = 2.0  # prior: m/s^2, on average; less is a dead sensor or a fall
# The variance of the acceleration state follows the innovations, as far as rows that are as honest as they say contradict the
# force: an accelerometer off the origin, or one that is shaken.
_LEARNING = 0.05  # size: 1/rows, of a running mean over twenty rows
_EXPECTED = 1.1  # rate: one in three, the mean square of twenty rows of three components strays by a tenth and more
_MOST_ACCELERATION_M_S2 = 5.0  # prior: m/s^2 one-sigma, a small rotorcraft that leans by 27 degrees
_CALM_M_S2 = 0.1  # prior: m/s^2 one-sigma, a hover that wanders by 6 cm at 0.2 Hz
_I = np.eye(3)


class MotionFilter:
    """Error-state filter of what moves, in the local inertial frame.

    Each pair of frames is one step: :meth:`predict`, then :meth:`update` if there is a velocity. Between, the filter tells what
    to expect. After a hole of the gyro log it begins anew; after a gap of the accelerometer its velocity does.

    Parameters
    ----------
    module
        Its sigmas and noise densities.
    rotations, force
        The gyro log, integrated, and the velocity preintegration.
    """

    def __init__(self, module: Module, rotations: RotationLog, force: ForceSum) -> None:
        self._noise = noise = MotionNoise.of(module)
        self._rotations, self._force = rotations, force
        self.x, self.P = np.zeros(at.STATES), np.zeros((at.STATES, at.STATES))
        self.P[at.ACCEL_BIAS, at.ACCEL_BIAS] = noise.accel_bias_m_s2**2 * _I
        self.P[at.GYRO_BIAS, at.GYRO_BIAS] = np.diag(np.square(noise.gyro_bias_rad_s))
        self._lasting, self._rocking = np.zeros((3, 3)), Rocking(noise.manoeuvre_s)
        self._heard_s, self._holes_s = np.inf, np.empty(0)  # newest sample, and where samples set in again
        self._time_s = self._row_s = self._aided_s = self._frame_s = self._velocity_s = -np.inf
        self._first_s = self._interval_s = 0.0
        self._contradictions, self._loudness = 0, 1.0
        self._begin(-np.inf)

    def add_inertial(self, samples: GyroSamples) -> None:
        """Look for holes in samples that rotation log and preintegration have been given."""
        steps = np.diff(samples.time_s, prepend=self._heard_s)
        holes = samples.time_s[steps > max(HOLE_S, self._rotations.longest_hole_s)]
        self._holes_s = np.concatenate([self._holes_s, holes])
        self._heard_s = float(samples.time_s[-1])

    def predict(self, first_s: float, second_s: float) -> None:
        """Propagate the state to a pair of frames; ``first_s`` and ``second_s`` are equal for a single one."""
        middle_s, interval_s = 0.5 * (first_s + second_s), second_s - first_s
        if not self._rotations.covers(middle_s, middle_s) or middle_s <= self._time_s:
            return
        holes = int(np.searchsorted(self._holes_s, second_s, "right"))
        if holes:
            self._begin(float(self._holes_s[holes - 1]))
            self._holes_s = self._holes_s[holes:]
        R_still_body = self._rotations.matrices(np.array([middle_s]))[0]
        self._find_gravity(second_s, R_still_body)
        preintegrated = self._force.mean(middle_s, interval_s)
        if np.isfinite(self._time_s):
            self._propagate(middle_s, R_still_body, preintegrated)
        self._time_s, self._R_still_body, self._preintegrated = middle_s, R_still_body, preintegrated
        self._first_s, self._interval_s = first_s, interval_s
        if middle_s - max(self._row_s, self._aided_s) > _BLIND_S:
            self._aid()

    def velocity(self) -> Array | None:
        """Velocity (3,) expected at this pair, with the lasting error of rows, local inertial frame; None without a recent row."""
        if self._time_s - self._row_s >= _RECENT_S:
            return None
        return np.asarray(self.x[at.VELOCITY] + self.x[at.LASTING])

    def acceleration(self, first_s: float, second_s: float) -> Acceleration:
        """Mean acceleration between two frames."""
        noise, span_s = self._noise, second_s - first_s
        sums = self._force.at(np.array([first_s, second_s])) if self._gravity_known else None
        vector, variance = acceleration_of(self.x, self.P, self._R_still_body, sums is not None)
        if sums is not None:
            vector = vector + (sums[1] - sums[0]) / span_s
            variance += self._force.noise_m_s_rts**2 / span_s
            # Force less a gravity that is hardly known tells no more than that no craft speeds up much for long.
            share = noise.unmeasured_acceleration_m_s2**2 / (noise.unmeasured_acceleration_m_s2**2 + variance)
            vector, variance = share * vector, share * variance
        elif self._felt:
            variance += noise.unmeasured_acceleration_m_s2**2
        return Acceleration(vector_m_s2=vector, sigma_m_s2=float(np.sqrt(variance)))

    def change(self, frames_s: Array) -> Change | None:
        """Change of the velocity over the frames (N + 1,) up to the newest; None where no specific force tells it."""
        leftover = Leftover(variance_m2_s4=self._acceleration_variance, lasts_s=self._noise.manoeuvre_s)
        return change(self.x, self.P, frames_s, self._rotations, self._force, leftover) if self._felt else None

    def tilt(self, time_s: float) -> Tilt | None:
        """Direction down at a time; None before the first specific force."""
        if not self._gravity_known:
            return None
        down, sigma_rad = gravity.down(self.x, self.P)
        here = time_s == self._time_s
        down_body = down @ (self._R_still_body if here else self._rotations.matrices(np.array([time_s]))[0])
        return Tilt(down_body=down_body, sigma_rad=min(sigma_rad, _LARGEST_ACCELERATION_M_S2 / GRAVITY_M_S2))

    def update(self, row: VelocityRow) -> None:
        """Correct by the velocity of the pair that was predicted last."""
        interval_s = row.second_s - row.first_s
        self._lasting = row.lasting_m2_s2
        if self._time_s - self._row_s >= _BLIND_S or self._contradictions >= _CONTRADICTIONS:
            self._lose_velocity()
        begins = not np.isfinite(self._row_s)
        self._shift_frames(row, interval_s)
        H = np.zeros((3, at.STATES))
        H[:, at.VELOCITY] = H[:, at.LASTING] = _I
        H[:, at.LAST_FRAME], H[:, at.NEW_FRAME] = -_I / interval_s, _I / interval_s
        R = (1 - 2 * FRAME_SHARE) * row.image_m2_s2 + row.new_m2_s2
        found = correct(self.x, self.P, row.velocity_m_s, H, R, np.inf if begins else _GATE)
        if not found.accepted and not self._felt:
            self._manoeuvre(row.velocity_m_s - H @ self.x, H @ self.P @ H.T + R)
            accepted = correct(self.x, self.P, row.velocity_m_s, H, R)
            found = Corrected(accepted.x, accepted.P, found.nis, accepted=True)
        self.x, self.P, self.nis = found.x, found.P, found.nis
        if not begins:
            self._learn(found.nis)
        self._hear_norm()
        self._contradictions = 0 if found.accepted else self._contradictions + 1
        self._row_s, self._frame_s, self._held = self._time_s, row.second_s, self.x[at.VELOCITY]

    def _learn(self, nis: float) -> None:
        """Let the variance of the acceleration state follow a squared normalised innovation."""
        base = self._acceleration_variance / self._loudness
        least = 1.0 if self._felt else _CALM_M_S2**2 / base
        loudness = self._loudness * np.exp(_LEARNING * (min(nis, _GATE) / 3 - _EXPECTED))
        self._loudness = float(np.clip(loudness, least, _MOST_ACCELERATION_M_S2**2 / base))

    def _manoeuvre(self, innovation: Array, S: Array) -> None:
        """Where nothing but rows tells the acceleration, one that surprises is a manoeuvre.

        The process noise of the step is raised until the innovation (3,) is as large as its covariance (3, 3) says (Bar-Shalom,
        Li and Kirubarajan 2001, section 11.2).
        """
        beyond = max(float(innovation @ innovation) - float(np.trace(S)), 0.0) / 3
        by_step = np.zeros((at.STATES, 3))
        by_step[at.VELOCITY], by_step[at.ACCELERATION] = _I, _I / self._interval_s
        self.P = self.P + beyond * by_step @ by_step.T

    def _begin(self, time_s: float) -> None:
        """Forget what was known of velocity and gravity; biases of the sensors stay."""
        self._begun_s, self._time_s = time_s, -np.inf
        self._gravity_known = self._norm_heard = self._felt = False
        self._loudness = 1.0
        self._R_still_body, self._preintegrated = _I, None
        self._renew(at.GRAVITY, np.zeros((3, 3)))
        self._renew(at.ACCELERATION, self._acceleration_variance * _I)
        self._lose_velocity(_GUST_M_S)

    def _lose_velocity(self, sigma_m_s: float = _UNKNOWN_M_S) -> None:
        """Begin the velocity anew; contradicted again too soon, gravity too."""
        if np.isfinite(self._time_s) and self._time_s - self._velocity_s < _SETTLED_S and self._gravity_known:
            self._renew(at.GRAVITY, _LARGEST_ACCELERATION_M_S2**2 * _I)
            self._norm_heard = False
        self._renew(at.VELOCITY, sigma_m_s**2 * _I)
        for place in (at.LAST_FRAME, at.NEW_FRAME, at.LASTING):
            self._renew(place, np.zeros((3, 3)))
            self.x[place] = 0.0
        self._renew(at.LASTING, self._told_apart)
        self._row_s = self._aided_s = self._frame_s = -np.inf
        self._velocity_s, self._contradictions, self._held = self._time_s, 0, np.zeros(3)
        self.nis = 0.0

    def _renew(self, place: slice, variance: Array) -> None:
        self.P[place, :], self.P[:, place] = 0.0, 0.0
        self.P[place, place] = variance

    @property
    def _acceleration_variance(self) -> float:
        return self._loudness * self._noise.acceleration_m_s2(self._rocking.per_arm_rad_s2, felt=self._felt) ** 2

    @property
    def _told_apart(self) -> Array:
        """Covariance (3, 3) of the lasting error; without a force nothing tells it from the velocity, and it is left out."""
        return self._lasting if self._felt else np.zeros((3, 3))

    def _find_gravity(self, until_s: float, R_still_body: Array) -> None:
        """Take the first direction down from the mean specific force, which gravity's is but for the craft's acceleration."""
        if self._gravity_known:
            return
        since_s = max(self._force.begun_s, until_s - _BEFORE_S, self._begun_s)
        sums = self._force.at(np.array([since_s, until_s])) if since_s < until_s else None
        if sums is None:
            return
        span_s = until_s - since_s
        mean = (sums[1] - sums[0]) / span_s
        if not np.linalg.norm(mean) > _LEAST_FORCE_M_S2:
            return
        sigma = min(_LARGEST_ACCELERATION_M_S2, _GUST_M_S / span_s)
        self.x, self.P = gravity.by_force(self.x, self.P, mean, R_still_body, sigma)
        self._gravity_known = True

    def _hear_norm(self) -> None:
        known = gravity.with_norm(self.x, self.P) if self._gravity_known and not self._norm_heard else None
        if known is not None:
            self.x, self.P = known
            self._norm_heard = True

    def _propagate(self, middle_s: float, R_still_body: Array, preintegrated: Array | None) -> None:
        noise, span_s = self._noise, middle_s - self._time_s
        self._rocking.add(self._R_still_body, R_still_body, span_s)
        broken = self._preintegrated is None or preintegrated is None or self._force.broken_since(self._time_s)
        felt = self._gravity_known and not broken
        if felt != self._felt:  # what the force leaves of the acceleration is something else now
            self._felt, self._loudness = felt, 1.0
            self.x[at.ACCELERATION] = 0.0
            self._renew(at.ACCELERATION, self._acceleration_variance * _I)
            self.x[at.LASTING] = 0.0
            self._renew(at.LASTING, self._told_apart)
        density = np.array(
            [
                max(noise.accel_m_s2_rthz, self._force.noise_m_s_rts) ** 2,
                noise.accel_bias_walk_m_s2_rts**2,
                noise.gyro_bias_walk_rad_s_rts**2,
                self._acceleration_variance,
                *np.square(noise.gyro_rad_s_rthz),
            ]
        )
        kept_s = np.array([noise.manoeuvre_s, noise.lasting_s])
        mean_turn = 0.5 * (self._R_still_body + R_still_body)
        F, Q = process(self.x, mean_turn, span_s, felt, density, kept_s, self._told_apart)
        self.x, self.P = predict(self.x, self.P, F, Q)
        if felt:
            assert preintegrated is not None and self._preintegrated is not None
            self.x[at.VELOCITY] += preintegrated - self._preintegrated

    def _aid(self) -> None:
        """Where no row tells the velocity, hold it to what it was within gusts: gravity stands out of the force in time."""
        self._aided_s = self._time_s
        if not self._felt:
            return
        H = np.zeros((3, at.STATES))
        H[:, at.VELOCITY] = _I
        found = correct(self.x, self.P, self._held, H, _GUST_M_S**2 * _I)
        self.x, self.P = found.x, found.P

    def _shift_frames(self, row: VelocityRow, interval_s: float) -> None:
        """Let the last frame of the pair before be the first of this one, if it is; the new frame's error is not known yet."""
        fresh = FRAME_SHARE * interval_s**2 * row.image_m2_s2
        F, Q = np.eye(at.STATES), np.zeros((at.STATES, at.STATES))
        F[at.LAST_FRAME] = F[at.NEW_FRAME] = 0.0
        Q[at.NEW_FRAME, at.NEW_FRAME] = fresh
        if abs(row.first_s - self._frame_s) <= SAME_FRAME_S:
            F[at.LAST_FRAME, at.NEW_FRAME] = _I
        else:
            Q[at.LAST_FRAME, at.LAST_FRAME] = fresh
        self.x, self.P = predict(self.x, self.P, F, Q)
