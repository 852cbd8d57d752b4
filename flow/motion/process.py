"""The process model: transition F and noise Q over one step between the middles of two pairs of frames.

In the local inertial frame, as the gyro turns it (R nominal, gyro bias error b_g and noise n_g, accelerometer bias b_a and
noise n_a, specific force f as read)::

    v' = R (f - b_a - n_a) + g + d + (R (b_g + n_g)) x v
    g' = (R (b_g + n_g)) x g            d' = -d / manoeuvre + noise

since a gyro that reads too much turns the frame itself: vectors that stand still in space turn in it the other way round. The
integral of R f is known beforehand (velocity preintegration: Lupton and Sukkarieh 2012; Forster, Carlone, Dellaert and
Scaramuzza 2017) and no part of F. The integrated Gauss-Markov process d is exact (Gillespie 1996, Phys. Rev. E 54, 2084).
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.motion import layout as at
from flow.motion.layout import STATES
from flow.numerics.compiled import compiled

Array: TypeAlias = NDArray[np.float64]

# Where each state begins, as numbers that compiled loops may use.
_V, _G, _A, _C = at.VELOCITY.start, at.GRAVITY.start, at.ACCELERATION.start, at.LASTING.start
_ACCEL_BIAS, _GYRO_BIAS = at.ACCEL_BIAS.start, at.GYRO_BIAS.start
_GYRO = 4  # size: index, of the gyro's densities among all


@compiled
def process(
    x: Array, R_still_body: Array, span_s: float, felt: bool, density: Array, kept_s: Array, lasting: Array
) -> tuple[Array, Array]:
    """Give F and Q, each (24, 24), at a state.

    Parameters
    ----------
    x
        (24,), see ``layout``: the velocity and gravity at which wrong rates are evaluated.
    R_still_body
        (3, 3), mean over the step.
    span_s
        Length of the step.
    felt
        Whether the specific force was measured; else the acceleration state is all that changes the velocity.
    density
        (7,): squared densities of the accelerometer's white noise and of the walks of accelerometer bias and gyro bias, variance
        of the acceleration state, squared densities of the gyro's white noise about each body axis.
    kept_s
        (2,): correlation times of the acceleration state and of the lasting error.
    lasting
        (3, 3), covariance of the lasting error.
    """
    F, Q = np.eye(STATES), np.zeros((STATES, STATES))
    v, g = x[_V : _V + 3], x[_G : _G + 3]
    kept = np.exp(-span_s / kept_s[0])
    lasts = np.exp(-span_s / kept_s[1])
    accel, accel_walk, gyro_walk, variance = density[0], density[1], density[2], density[3]
    turned = np.empty((6, 3))  # of velocity and gravity by a turn of the body, rad
    for part in range(2):
        a = v if part == 0 else g
        for j in range(3):
            r = R_still_body[:, j]
            turned[3 * part, j] = r[1] * a[2] - r[2] * a[1]
            turned[3 * part + 1, j] = r[2] * a[0] - r[0] * a[2]
            turned[3 * part + 2, j] = r[0] * a[1] - r[1] * a[0]
    for i in range(6):
        for j in range(3):
            F[i, _GYRO_BIAS + j] = turned[i, j] * span_s
        for k in range(6):
            total = 0.0
            for j in range(3):
                total += turned[i, j] * density[_GYRO + j] * turned[k, j]
            Q[i, k] = total * span_s
    spread = kept_s[0] * (1 - kept)
    for i in range(3):
        if felt:
            F[i, _G + i] = span_s
            for j in range(3):
                F[i, _ACCEL_BIAS + j] = -R_still_body[i, j] * span_s
                F[i, _GYRO_BIAS + j] += 0.5 * turned[3 + i, j] * span_s * span_s
            Q[i, i] += accel * span_s
        F[i, _A + i], F[_A + i, _A + i] = spread, kept
        Q[i, i] += variance * kept_s[0] ** 2 * (2 * span_s / kept_s[0] - (1 - kept) * (3 - kept))
        Q[i, _A + i] = Q[_A + i, i] = variance * spread * (1 - kept)
        Q[_A + i, _A + i] = variance * (1 - kept * kept)
        Q[_ACCEL_BIAS + i, _ACCEL_BIAS + i] = accel_walk * span_s
        Q[_GYRO_BIAS + i, _GYRO_BIAS + i] = gyro_walk * span_s
        F[_C + i, _C + i] = lasts
        for j in range(3):
            Q[_C + i, _C + j] = (1 - lasts * lasts) * lasting[i, j]
    return F, Q


@compiled
def acceleration_of(x: Array, P: Array, R_still_body: Array, felt: bool) -> tuple[Array, float]:
    """Give what the state says of the acceleration (3,) beside the specific force felt, and its mean variance along an axis."""
    H = np.zeros((3, STATES))
    for i in range(3):
        H[i, _A + i] = 1.0
        if felt:
            H[i, _G + i] = 1.0
            for j in range(3):
                H[i, _ACCEL_BIAS + j] = -R_still_body[i, j]
    return H @ x, np.trace(H @ P @ H.T) / 3
