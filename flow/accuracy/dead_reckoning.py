"""The path over ground by dead reckoning: speed integrated along the gyro's heading, and how its uncertainty grows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.error_sources import SOURCES, Follows
from flow.module import Gyro

Array: TypeAlias = NDArray[np.float64]

_GUST_M_S = 0.5  # how far off the last speed may be while nothing is known, at least


_FRESH, _SCALE, _FIXED = (
    np.array([source.follows is how for source in SOURCES]) for how in (Follows.CHANCE, Follows.VELOCITY, Follows.BODY)
)
if not (np.sum([_FRESH, _SCALE, _FIXED], axis=0) == 1).all():
    raise TypeError("a source of error adds up along a path in a way that is not treated here")


@dataclass(frozen=True, slots=True, kw_only=True)
class Places:
    """Where the craft was at the end of each row: forward and right at the start, m.

    ``position_m`` (N, 2), ``sigma_m`` (N, 2) one-sigma, ``correlation`` (N,) of the two.
    """

    position_m: Array
    sigma_m: Array
    correlation: Array


class DeadReckoning:
    """Position since the first frame: forward and right as they were there.

    The heading is the gyro's, integrated about body z. Errors new in every row add up as independent ones do.
    A wrong height or focal length stretches the path: such an error vanishes on the way back. Errors fixed to the
    body (mounting, tilt, gyro bias, lever arm) turn along with it. While there is no velocity the last one is
    carried on, and the sigma grows by that speed, or by 0.5 m/s if it was slower.
    """

    def __init__(self, gyro: Gyro) -> None:
        self._yaw_bias = gyro.sigma.bias_rad_s[2]
        self._yaw_noise = float(gyro.noise_per_axis[2])
        self._velocity = np.zeros(2)
        # Running sums: yaw, time, position, and what each kind of error has added up to.
        self._yaw_rad = np.zeros(1)
        self._elapsed_s = np.zeros(1)
        self._position = np.zeros(2)
        self._fresh = np.zeros((2, 2))
        self._stretch = np.zeros((int(_SCALE.sum()), 2))
        self._fixed = np.zeros((int(_FIXED.sum()), 2, 2))
        self._unknown_m = np.zeros(1)

    def advance(self, interval_s: Array, velocity_m_s: Array, effects_m_s: Array, yaw_turn_rad: Array) -> Places:
        """Take N consecutive rows.

        Parameters
        ----------
        interval_s
            (N,)
        velocity_m_s
            (N, 2) forward and right; NaN where there is none.
        effects_m_s
            (N, sources, 2) one-sigma effects on them, in the order of :data:`flow.error_sources.SOURCES`.
        yaw_turn_rad
            (N,) turn about body z; one that is not known counts as none.
        """
        turn = np.nan_to_num(yaw_turn_rad)
        yaw = self._yaw_rad + np.cumsum(turn)
        heading = _headings(yaw - 0.5 * turn)
        known = np.isfinite(velocity_m_s[:, 0])
        velocity = self._carried(velocity_m_s, known)
        speed = np.linalg.norm(velocity, axis=1)
        step = interval_s[:, None]
        position = self._position + np.cumsum(np.einsum("nij,nj->ni", heading, velocity) * step, axis=0)
        unknown = self._unknown_m + np.cumsum(np.where(known, 0.0, np.maximum(speed, _GUST_M_S)) * interval_s)
        moved = np.where(known[:, None, None], effects_m_s, 0.0) * step[:, :, None]

        own = heading * np.sqrt(np.square(moved[:, _FRESH]).sum(axis=1))[:, None, :]
        fresh = self._fresh + np.cumsum(own @ own.transpose(0, 2, 1), axis=0)
        along = np.einsum("nij,nj->ni", heading, velocity) / np.maximum(speed, 1e-12)[:, None]
        stretch = self._stretch + np.cumsum(
            np.linalg.norm(moved[:, _SCALE], axis=2)[:, :, None] * along[:, None, :], axis=0
        )
        fixed = self._fixed + np.cumsum(heading[:, None] * moved[:, _FIXED][:, :, None, :], axis=0)
        elapsed = self._elapsed_s + np.cumsum(interval_s)

        across = np.column_stack([-position[:, 1], position[:, 0]])
        yaw_variance = (self._yaw_bias * elapsed) ** 2 + self._yaw_noise**2 * elapsed
        total = fresh + np.eye(2) * np.square(unknown)[:, None, None]
        total = total + yaw_variance[:, None, None] * across[:, :, None] * across[:, None, :]
        total = total + np.einsum("nci,ncj->nij", stretch, stretch) + np.einsum("ncik,ncjk->nij", fixed, fixed)

        self._velocity, self._yaw_rad, self._elapsed_s = velocity[-1], yaw[-1:], elapsed[-1:]
        self._position, self._unknown_m = position[-1], unknown[-1:]
        self._fresh, self._stretch, self._fixed = fresh[-1], stretch[-1], fixed[-1]
        sigma = np.sqrt(np.diagonal(total, axis1=1, axis2=2))
        product = sigma[:, 0] * sigma[:, 1]
        correlation = np.divide(total[:, 0, 1], product, out=np.zeros_like(product), where=product > 0)
        return Places(position_m=position, sigma_m=sigma, correlation=correlation)

    def _carried(self, velocity: Array, known: NDArray[np.bool_]) -> Array:
        """Give the velocity of each row, or the last one known before it."""
        last = np.maximum.accumulate(np.where(known, np.arange(len(known)), -1))
        return np.where((last >= 0)[:, None], velocity[last], self._velocity)


def _headings(yaw_rad: Array) -> Array:
    """Turn level axes into those of the start, (N, 2, 2): a yaw to the right turns forward to the right."""
    c, s = np.cos(yaw_rad), np.sin(yaw_rad)
    return np.stack([np.stack([c, -s], axis=-1), np.stack([s, c], axis=-1)], axis=1)
