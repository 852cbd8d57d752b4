"""The equations of a pair of frames: matches, rotation and ground plane to the velocity of the body, exactly.

Symbols: camera axes at the reference time (middle of the interval) throughout. A point seen along ``b0`` at ``t0``
lies on the plane ``n.P = d``. The camera is at ``X(t) = v (t - ref) + L(t)``, where ``v`` is the velocity of the body
origin and ``L(t) = R(ref, t) p - p + a (t - ref)^2 / 2`` is what rotation does to the lever arm ``p``, and what the
acceleration ``a``, known beforehand, adds. Then
``P = X(t0) + s b0`` with ``s = (d - n.X(t0)) / (n.b0)``, and the point is seen at ``t1`` along ``P - X(t1)``, parallel
to ``b1``: two equations a match, linear in the three unknowns ``v``. Nothing is small-angle; for small motion this
is the motion field of Longuet-Higgins and Prazdny 1980.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.numerics.compiled import compiled

Array: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class PairGeometry:
    """Everything about N matches that is known before the velocity is, in camera axes at the reference time.

    ``first_ray`` and ``second_ray`` (N, 3), unit depth, turned to the reference; ``first_s`` and ``second_s`` (N,)
    exposure times less the reference time; ``first_lever_m`` and ``second_lever_m`` (N, 3) are L(t0) and L(t1);
    ``down`` (3,) is the plane's normal and ``distance_m`` the camera's distance to it; ``flow`` (N, 2) is the change
    of the ray in the camera's own axes, rotation included; ``covariance`` (N, 2, 2) that of ``second_ray``'s x and y
    up to a common factor.
    """

    first_ray: Array
    second_ray: Array
    first_s: Array
    second_s: Array
    first_lever_m: Array
    second_lever_m: Array
    down: Array
    distance_m: float
    flow: Array
    covariance: Array

    @property
    def apparent(self) -> Array:
        """Translational motion (N, 2) of each match in ray coordinates."""
        return self.second_ray[:, :2] - self.first_ray[:, :2]

    def loosened(self, scale: float, allowed: Array) -> PairGeometry:
        """Give the same pair with so many times its covariance and what is allowed (N, 2, 2) on top."""
        return replace(self, covariance=scale * self.covariance + allowed)


def equations(pair: PairGeometry) -> tuple[Array, Array]:
    """Rows (N, 2, 3) and target (N, 2): ``rows @ v = target``, in units of ray coordinates."""
    return _equations(
        pair.first_ray, pair.second_ray, pair.first_s, pair.second_s, pair.first_lever_m, pair.second_lever_m, pair.down,
        np.zeros(len(pair.first_ray)) + pair.distance_m,
    )  # fmt: skip


def motion_of_acceleration(pair: PairGeometry) -> Array:
    """Give what an acceleration adds to ``rows @ v``: (N, 2, 3), s^2 in the place of s."""
    return _equations(
        pair.first_ray, pair.second_ray, 0.5 * pair.first_s**2, 0.5 * pair.second_s**2, pair.first_lever_m,
        pair.second_lever_m, pair.down, np.zeros(len(pair.first_ray)) + pair.distance_m,
    )[0]  # fmt: skip


def motion_of_turn(rays: Array) -> Array:
    """Give the change of unit-depth ray coordinates by a small turn: (N, 2, 3) (Longuet-Higgins and Prazdny 1980)."""
    x, y = rays[:, 0], rays[:, 1]
    one = np.ones_like(x)
    return np.stack([np.stack([-x * y, one + x * x, -y], axis=-1), np.stack([-one - y * y, x * y, x], axis=-1)], axis=1)


@compiled
def _equations(
    first: Array, second: Array, first_s: Array, second_s: Array, first_lever: Array, second_lever: Array, down: Array,
    distance: Array,
) -> tuple[Array, Array]:  # fmt: skip
    count = len(first)
    rows, target = np.empty((count, 2, 3)), np.empty((count, 2))
    fixed = np.empty(3)
    for i in range(count):
        slope, above = 0.0, distance[i]
        for j in range(3):
            slope += first[i, j] * down[j]
            above -= first_lever[i, j] * down[j]
        for j in range(3):
            fixed[j] = first[i, j] * above / slope + first_lever[i, j] - second_lever[i, j]
        span, lean = second_s[i] - first_s[i], first_s[i] / slope
        for e in range(2):
            target[i, e] = (fixed[e] - second[i, e] * fixed[2]) / fixed[2]
            for j in range(3):
                moving = lean * (first[i, e] - second[i, e] * first[i, 2]) * down[j]
                rows[i, e, j] = moving / fixed[2]
            rows[i, e, e] += span / fixed[2]
            rows[i, e, 2] -= second[i, e] * span / fixed[2]
    return rows, target
