"""Gravity, a state of the filter: where it is taken from at first, what its norm adds, and which way is down by it."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.inertial_sensors import GRAVITY_M_S2
from flow.motion import layout as at
from flow.motion.kalman import correct
from flow.numerics.compiled import compiled

Array: TypeAlias = NDArray[np.float64]

_NORM_SIGMA_M_S2 = 0.03  # prior: m/s^2 one-sigma, it differs by 0.3 % over the Earth
# size: rad, along a direction that is off by an angle gravity is less than its norm by half the square of that: 8 mm/s^2
_NORM_RAD = 0.04
_UNKNOWN_M_S2 = 10 * GRAVITY_M_S2  # prior: m/s^2 one-sigma, next to nothing is known
_I = np.eye(3)


def by_force(
    x: Array, P: Array, force_m_s2: Array, R_still_body: Array, acceleration_sigma_m_s2: float
) -> tuple[Array, Array]:
    """Begin gravity, of which nothing is known, with a mean specific force (3,): x and P.

    It is gravity's, turned about, but for bias and the craft's own acceleration, whose one-sigma is given.
    """
    x, P = x.copy(), P.copy()
    x[at.GRAVITY] = 0.0
    P[at.GRAVITY, :], P[:, at.GRAVITY] = 0.0, 0.0
    P[at.GRAVITY, at.GRAVITY] = _UNKNOWN_M_S2**2 * _I
    H = np.zeros((3, at.STATES))
    H[:, at.GRAVITY], H[:, at.ACCEL_BIAS] = -_I, R_still_body
    found = correct(x, P, force_m_s2, H, acceleration_sigma_m_s2**2 * _I)
    return found.x, found.P


def with_norm(x: Array, P: Array) -> tuple[Array, Array] | None:
    """Correct by the norm that gravity has on Earth; None while it is not known well enough where it points."""
    direction, sigma_rad = down(x, P)
    if sigma_rad > _NORM_RAD:
        return None
    H = np.zeros((1, at.STATES))
    H[0, at.GRAVITY] = direction
    found = correct(x, P, np.array([GRAVITY_M_S2]), H, np.array([[_NORM_SIGMA_M_S2**2]]))
    return found.x, found.P


def down(x: Array, P: Array) -> tuple[Array, float]:
    """Give the unit vector down (3,) in the local inertial frame, and its one-sigma along the worse direction, rad."""
    return _down(x[at.GRAVITY], P[at.GRAVITY, at.GRAVITY])


@compiled
def _down(g: Array, P: Array) -> tuple[Array, float]:
    size = np.sqrt(g[0] * g[0] + g[1] * g[1] + g[2] * g[2])
    direction = g / size
    across = np.eye(3) - direction.reshape(3, 1) * direction.reshape(1, 3)
    half, square = 0.0, 0.0  # of the trace of the spread across, and of the sum of its squared elements
    spread = np.zeros((3, 3))
    for i in range(3):
        for j in range(3):
            for k in range(3):
                for m in range(3):
                    spread[i, j] += across[i, k] * P[k, m] * across[m, j]
            square += spread[i, j] ** 2
        half += 0.5 * spread[i, i]
    # Two of its eigenvalues are half + rest and half - rest, the third, along the direction itself, is nought.
    rest = np.sqrt(max(0.5 * square - half * half, 0.0))
    return direction, np.sqrt(half + rest) / size
