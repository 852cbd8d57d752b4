"""Inertial motion from sample to sample: the values, their errors' transition, and the noise that comes in.

With ``u = R (gyro bias error + gyro noise)`` in the track frame and ``f`` the specific force there::

    velocity'  =  tilt x f  -  R (accel bias error + noise)  +  u_z (z x v)
    tilt'      = -(u_x, u_y)                 turn' = -u_z
    seen'      =  velocity error + drift + reach (-u_y, u_x, 0)
    height'    = -velocity_z                 position' = velocity, turned

The last term of ``seen`` is what makes a picture honest: what the gyro wrongly took for a turn of the camera moved the
picture like a shift by ``reach`` (the camera's height) times as much, and the very same noise leaned the tilt. The term
in ``u_z`` keeps the velocity meant in axes that drift with the gyro's heading, so that a heading that nobody knows
does no harm. (Error-state filtering: Sola 2017, "Quaternion kinematics for the error-state Kalman filter", arXiv
1711.02508, with the error of the heading taken out of the velocity as in Barrau and Bonnabel 2017.)
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.fusion.layout import ERRORS
from flow.inertial_sensors import GRAVITY_M_S2
from flow.numerics.compiled import compiled

Array: TypeAlias = NDArray[np.float64]


@compiled
def integrate(
    values: Array,
    covariance: Array,
    time_s: Array,
    rate_rad_s: Array,
    force_m_s2: Array,
    noise: Array,
    considered: Array,
    kept_values: Array,
    kept_force: Array,
    kept_covariance: Array,
    kept_considered: Array,
) -> None:
    """Carry values, covariance and considered errors (all changed in place) over the steps between samples.

    Parameters
    ----------
    values, covariance
        (35,) and (28, 28), see ``layout``.
    time_s, rate_rad_s, force_m_s2
        (N + 1,), (N + 1, 3): samples at the ends of N steps; in between they are linear.
    noise
        (21,), see :meth:`flow.fusion.noise.InertialNoise.packed`.
    considered
        (28, C), the errors by one sigma of each constant figure (:mod:`flow.fusion.considered`).
    kept_values, kept_force, kept_covariance, kept_considered
        (N + 1, 35), (N, 4), (N, 28, 28), (N, 12, C), filled: the values at every sample, specific force in the track frame
        and length of every step, the covariance after it, and the considered errors :data:`flow.fusion.layout.SHOWN` then.
    """
    turn = np.zeros((3, 3))
    for k in range(len(time_s) - 1):
        kept_values[k] = values
        span = time_s[k + 1] - time_s[k]
        force = _step(
            values,
            0.5 * (rate_rad_s[k] + rate_rad_s[k + 1]),
            0.5 * (force_m_s2[k] + force_m_s2[k + 1]),
            span,
            noise,
            turn,
        )
        kept_force[k, :3], kept_force[k, 3] = force, span
        F = transition(kept_values[k], force, span, noise)
        _grow(covariance, F, kept_values[k], force, span, noise)
        considered[:] = F @ considered
        kept_covariance[k] = covariance
        kept_considered[k] = considered[3:15]
    kept_values[len(time_s) - 1] = values


@compiled
def transition(values: Array, force: Array, span: float, noise: Array) -> Array:
    """Errors after a step by errors before it: (28, 28)."""
    F = np.eye(ERRORS)
    R = values[6:15].reshape(3, 3)
    half = 0.5 * span * span
    reach = noise[12] * (values[21] - noise[13])
    v = values[3:6]
    cos, sin = np.cos(values[26]), np.sin(values[26])
    for i in range(3):
        F[i, 3 + i] = span
        for j in range(3):
            F[3 + i, 11 + j] = -R[i, j] * span
            F[i, 11 + j] = -R[i, j] * half
    for j in range(3):
        F[0, 8 + j] = -reach * R[1, j] * span
        F[1, 8 + j] = reach * R[0, j] * span
        F[3, 8 + j] = -v[1] * R[2, j] * span + half * -force[2] * R[1, j]
        F[4, 8 + j] = v[0] * R[2, j] * span + half * force[2] * R[0, j]
        F[5, 8 + j] = half * (-force[1] * R[0, j] + force[0] * R[1, j])
        F[6, 8 + j] = -R[0, j] * span
        F[7, 8 + j] = -R[1, j] * span
        F[19, 8 + j] = -R[2, j] * span
    for rows, by in ((3, span), (0, half)):
        F[rows, 7] = force[2] * by
        F[rows + 1, 6] = -force[2] * by
        F[rows + 2, 6] = force[1] * by
        F[rows + 2, 7] = -force[0] * by
    F[14, 5] = -span
    kept = np.exp(-span * noise[14])
    F[15, 15] = F[16, 16] = kept
    kept = np.exp(-span * noise[16])
    for i in range(3):
        F[22 + i, 22 + i] = kept
        F[i, 22 + i] = span
    F[17, 3], F[17, 4], F[18, 3], F[18, 4] = cos * span, -sin * span, sin * span, cos * span
    F[17, 19] = -(sin * v[0] + cos * v[1]) * span
    F[18, 19] = (cos * v[0] - sin * v[1]) * span
    return F


@compiled
def _step(values: Array, rate: Array, force_body: Array, span: float, noise: Array, turn: Array) -> Array:
    """Advance the values; give the specific force (3,) in the track frame that was used."""
    R = values[6:15].reshape(3, 3).copy()
    rotation = (rate - values[15:18]) * span
    x, y, z = rotation[0], rotation[1], rotation[2]
    square = x * x + y * y + z * z
    # Series of sin(a)/a and (1 - cos a)/a^2: a step turns by a few hundredths of a radian.
    first = 1.0 - square / 6.0 + square * square / 120.0
    second = 0.5 - square / 24.0 + square * square / 720.0
    turn[0, 0], turn[1, 1], turn[2, 2] = (
        1 - second * (y * y + z * z),
        1 - second * (x * x + z * z),
        1 - second * (x * x + y * y),
    )
    turn[0, 1], turn[1, 0] = second * x * y - first * z, second * x * y + first * z
    turn[0, 2], turn[2, 0] = second * x * z + first * y, second * x * z - first * y
    turn[1, 2], turn[2, 1] = second * y * z - first * x, second * y * z + first * x
    after = R @ turn
    force = 0.5 * (R + after) @ (force_body - values[18:21])
    acceleration = force.copy()
    acceleration[2] += GRAVITY_M_S2
    velocity = values[3:6].copy()
    way = velocity * span + acceleration * (0.5 * span * span)
    beyond = R @ (values[15:18] - noise[9:12]) * (noise[12] * (values[21] - noise[13]) * span)
    values[0] += way[0] - beyond[1]
    values[1] += way[1] + beyond[0]
    values[2] += way[2]
    values[3:6] = velocity + acceleration * span
    # Columns made square to each other again: rounding would bend the rotation over an hour.
    a = after[:, 0] / np.sqrt(np.sum(after[:, 0] ** 2))
    b = after[:, 1] - a * np.sum(a * after[:, 1])
    b /= np.sqrt(np.sum(b**2))
    for i in range(3):
        j, m = (i + 1) % 3, (i + 2) % 3
        values[6 + 3 * i], values[7 + 3 * i], values[8 + 3 * i] = a[i], b[i], a[j] * b[m] - a[m] * b[j]
    values[21] -= way[2]
    cos, sin = np.cos(values[26]), np.sin(values[26])
    values[24] += cos * way[0] - sin * way[1]
    values[25] += sin * way[0] + cos * way[1]
    values[22:24] *= np.exp(-span * noise[14])
    values[0:3] += values[29:32] * span
    values[29:32] *= np.exp(-span * noise[16])
    return force


@compiled
def _grow(covariance: Array, F: Array, values: Array, force: Array, span: float, noise: Array) -> None:
    covariance[:] = F @ covariance @ F.T
    R = values[6:15].reshape(3, 3)
    reach = noise[12] * (values[21] - noise[13])
    v = values[3:6]
    gain = np.zeros(ERRORS)
    rows = np.array([0, 1, 3, 4, 6, 7, 19])
    for j in range(3):  # the gyro's white noise, axis by axis: it leans, turns and shifts the picture at once
        gain[0], gain[1] = -reach * R[1, j], reach * R[0, j]
        gain[3], gain[4] = -v[1] * R[2, j], v[0] * R[2, j]
        gain[6], gain[7], gain[19] = -R[0, j], -R[1, j], -R[2, j]
        for a in rows:
            for b in rows:
                covariance[a, b] += gain[a] * gain[b] * noise[j] * span
    shaken = noise[3] + noise[20] * (force[0] ** 2 + force[1] ** 2 + (force[2] + GRAVITY_M_S2) ** 2)
    for i in range(3):
        covariance[3 + i, 3 + i] += shaken * span
        covariance[i, 3 + i] += 0.5 * shaken * span**2
        covariance[3 + i, i] += 0.5 * shaken * span**2
        covariance[i, i] += shaken * span**3 / 3
        covariance[8 + i, 8 + i] += noise[4 + i] * span
        covariance[11 + i, 11 + i] += noise[7] * span
    covariance[14, 14] += noise[8] * span
    fresh = 1 - np.exp(-2 * span * noise[14])
    covariance[15, 15] += noise[15] * fresh
    covariance[16, 16] += noise[15] * fresh
    fresh = 1 - np.exp(-2 * span * noise[16])
    for i in range(3):
        covariance[22 + i, 22 + i] += noise[17 + i] * fresh
    for a in range(ERRORS):
        for b in range(a):
            mean = 0.5 * (covariance[a, b] + covariance[b, a])
            covariance[a, b] = mean
            covariance[b, a] = mean


@compiled
def look_back(
    values: Array,
    force: Array,
    covariance: Array,
    noise: Array,
    pull: Array,
    weight: Array,
    change: Array,
    after: Array,
    pull_considered: Array,
    considered: Array,
) -> None:
    """Carry what later measurements say back over a run of steps (Bryson and Frazier 1963; Bierman 1973).

    Parameters
    ----------
    values, force, covariance, noise
        As :func:`integrate` kept them.
    pull, weight
        (28,) and (28, 28), the adjoint state and its matrix after the last step; changed in place to those before the
        first.
    change, after
        (N, 28) and (N, 28, 28), filled: the smoothed errors' means and covariance after each step.
    pull_considered, considered
        (28, C), the adjoint states of the considered figures, changed in place; (N, 12, C), the errors by them
        (:data:`flow.fusion.layout.SHOWN`) as the filter left them, smoothed in place.
    """
    for k in range(len(force) - 1, -1, -1):
        P = covariance[k]
        change[k] = -(P @ pull)
        after[k] = P - P @ weight @ P
        considered[k] += P[3:15] @ pull_considered
        F = transition(values[k], force[k, :3], force[k, 3], noise)
        pull[:] = F.T @ pull
        pull_considered[:] = F.T @ pull_considered
        weight[:] = F.T @ weight @ F
