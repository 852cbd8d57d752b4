"""Filters that respect the sampling theorem: smoothing, slope and interpolation between pixels.

Bilinear interpolation pulls every estimate of a shift toward half a pixel, by up to 26 thousandths. Here smoothing comes
first, so that little is left near the Nyquist frequency, and slope and interpolation are then the best that their
length allows: least squares over the spectrum that a smoothed picture of ground has, ``exp(-(2 pi f s)^2) / (1 +
(f/f0)^2)``, exact for a constant and for a ramp. What is left of the pull is below a thousandth of a pixel
(``tests/outside/test_exact_shift.py``).
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Array: TypeAlias = NDArray[np.float64]
Floats: TypeAlias = NDArray[np.float32]

SMOOTHING_PX = 0.75
"""One-sigma of the Gaussian; at 0.5 px fine grass still aliases (0.003 px), at 1 px a seventh of the texture is gone."""

TAPS = 8
"""Pixels that an interpolated value is made of, along each axis."""

PHASES = 256
"""Fractions of a pixel in :func:`interpolation`; what lies between is left to the slope."""

_CORNER = 0.25  # f0, cycles a pixel
_SLOPE_REACH = 4


def smoothing() -> Array:
    """Make the Gaussian (7,) of one-sigma :data:`SMOOTHING_PX`; sums to 1."""
    x = np.arange(-3, 4)
    bell = np.exp(-0.5 * np.square(x / SMOOTHING_PX))
    return np.asarray(bell / bell.sum())


def slope() -> Array:
    """Make the derivative (9,) of a smoothed picture, a correlation kernel; exact for a ramp."""
    reach = np.arange(1, _SLOPE_REACH + 1)
    frequency, weight = _spectrum()
    waves = 2 * np.sin(2 * np.pi * frequency[:, None] * reach)
    half = _fitted(waves, 2 * np.pi * frequency, weight, np.asarray(2.0 * reach[None], np.float64), np.ones(1))
    return np.concatenate([-half[::-1], [0.0], half])


def interpolation() -> Floats:
    """Weights (:data:`PHASES`, :data:`TAPS`) of the pixels around a place, from the fourth on its left.

    Row p gives the value at p / PHASES of a pixel past the fourth; exact for a constant and for a ramp.
    """
    taps = np.arange(TAPS) - (TAPS // 2 - 1)
    frequency, weight = _spectrum()
    phase = 2 * np.pi * frequency[:, None]
    waves = np.vstack([np.cos(phase * taps), np.sin(phase * taps)])
    moments = np.stack([np.ones(TAPS), taps.astype(float)])
    rows = []
    for at in np.arange(PHASES) / PHASES:
        wanted = np.vstack([np.cos(phase * at), np.sin(phase * at)])[:, 0]
        rows.append(_fitted(waves, wanted, np.tile(weight, 2), moments, np.array([1.0, at])))
    return np.asarray(rows, np.float32)


def _spectrum() -> tuple[Array, Array]:
    """Frequencies (F,), cycles a pixel, and how much of a smoothed picture lies there."""
    frequency = np.linspace(0, 0.5, 501)
    passed = np.exp(-np.square(2 * np.pi * frequency * SMOOTHING_PX))
    return frequency, passed / (1 + np.square(frequency / _CORNER))


def _fitted(waves: Array, wanted: Array, weight: Array, constraint: Array, value: Array) -> Array:
    """Weighted least squares ``waves @ x = wanted`` subject to ``constraint @ x = value`` (Lagrange)."""
    count, held = waves.shape[1], len(value)
    square = waves.T @ (weight[:, None] * waves)
    system = np.block([[square, constraint.T], [constraint, np.zeros((held, held))]])
    return np.asarray(np.linalg.solve(system, np.concatenate([waves.T @ (weight * wanted), value]))[:count])
