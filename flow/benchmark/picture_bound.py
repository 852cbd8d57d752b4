"""How well the noise of two pictures lets anybody know the velocity between them: the Cramer-Rao bound."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.pair.geometry import PairView

Array: TypeAlias = NDArray[np.float64]

_STEP = 2  # every other pixel of every other row stands for its neighbours
_REACH_PX = 4.0  # motion over which the change of place with velocity is taken


def velocity_bound(
    view: PairView, clean: NDArray[np.floating], variance: Array | float, velocity_m_s: Array, px_per_m_s: float
) -> Array:
    """Cramer-Rao bound (3, 3) on the covariance of the body's velocity, camera axes, rotation and plane known.

    Parameters
    ----------
    view
        The true rotation and ground plane of the pair.
    clean
        (H, W) first picture without noise, grey levels.
    variance
        Noise variance of a pixel in one picture, rounding included, for all or (H, W) for each.
    velocity_m_s
        (3,) true velocity of the body, camera axes.
    px_per_m_s
        About how far 1 m/s moves the picture.

    Notes
    -----
    Both pictures are noisy and the ground is unknown: the information is the sum of ``J' g g' J / (2 variance)`` over the
    pixels that both show (Robinson and Milanfar 2004, IEEE Transactions on Image Processing 13(9), 1185, with the
    motion model inside). g is the gradient of the picture, by the shift theorem; J (2, 3) is the change of the place in
    the second picture with velocity, through lens, turn, plane and rolling rows.
    """
    height, width = clean.shape
    y, x = np.mgrid[_STEP // 2 : height : _STEP, _STEP // 2 : width : _STEP].reshape(2, -1)
    pixels = np.column_stack([x, y]).astype(float)
    step = _REACH_PX / px_per_m_s * np.eye(3)
    ends = [view.predict(pixels, velocity_m_s + sign * by) for by in step for sign in (1, -1)]
    change = np.stack([(a - b) / (2 * step[0, 0]) for a, b in zip(ends[::2], ends[1::2], strict=True)], axis=-1)
    place = view.predict(pixels, velocity_m_s)
    seen = (
        np.isfinite(change).all(axis=(1, 2))
        & (place > -0.5).all(axis=1)
        & (place < [width - 0.5, height - 0.5]).all(axis=1)
    )
    slope = np.einsum("ni,nij->nj", _gradient(clean)[y, x], change)[seen]
    noise = np.broadcast_to(variance, clean.shape)[y, x][seen]
    return np.asarray(np.linalg.inv(_STEP**2 * (slope / (2 * noise[:, None])).T @ slope))


def _gradient(picture: NDArray[np.floating]) -> Array:
    """Gradient (H, W, 2) by the shift theorem; mirrored, a picture has no edge where it ends."""
    return np.stack([_slope(picture.T).T, _slope(picture)], axis=-1)


def _slope(picture: NDArray[np.floating]) -> Array:
    """Down the rows."""
    waves = np.fft.rfft(np.concatenate([picture, picture[::-1]]), axis=0)
    frequency = 2j * np.pi * np.fft.rfftfreq(2 * len(picture))[:, None]
    frequency[-1] = 0  # a wave on the Nyquist frequency has no slope on the pixels
    return np.asarray(np.fft.irfft(frequency * waves, 2 * len(picture), axis=0)[: len(picture)])
