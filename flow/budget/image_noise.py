"""How finely the motion of a picture can be told: texture, noise, blur, and the Cramer-Rao bound."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from flow.tracks import LucasKanade

Array: TypeAlias = NDArray[np.float64]
Picture: TypeAlias = NDArray[np.uint8]

WINDOW_PX = LucasKanade._WINDOW
"""Side of the window that is followed."""

_ROUNDING = 1 / 12  # variance of rounding to whole grey levels (Bennett 1948)
_SCHARR_NOISE = 2 * (3**2 + 10**2 + 3**2) / 32**2  # what white noise of variance 1 leaves in a Scharr gradient
_SECOND_NOISE = 6 * (3**2 + 10**2 + 3**2) / 16**2  # ... and in a second difference with the same smoothing across
_SCHARR = (3 / 16, 10 / 16, 3 / 16)


@dataclass(frozen=True, slots=True, kw_only=True)
class Texture:
    """What the ground offers to the tracker.

    ``gradient_levels_px`` is the rms brightness gradient along one axis of the picture, grey levels per pixel;
    ``grain_px`` the one-sigma of the Gaussian that would smooth white noise to the same sharpness (a camera in
    focus: 0.9 to 1.3 px).
    """

    gradient_levels_px: float = 6.0
    grain_px: float = 1.1

    def blurred(self, length_px: float) -> Array:
        """Rms gradient (along, across) a motion of ``length_px`` during the exposure, grey levels per pixel.

        A box of length L has the variance L^2/12; with it the grain along the motion becomes
        ``a' = sqrt(a^2 + L^2/12)``. The gradient of white noise smoothed to grains a', a has the rms
        proportional to ``a'^-1.5 a^-0.5`` along and ``a'^-0.5 a^-1.5`` across.
        """
        wider = np.sqrt(1 + length_px**2 / (12 * self.grain_px**2))
        return self.gradient_levels_px * np.array([wider**-1.5, wider**-0.5])

    def longest_blur_px(self, least_gradient_levels_px: float) -> float:
        """Blur that leaves ``least_gradient_levels_px`` along the motion; 0 where there is not even that."""
        wider = (self.gradient_levels_px / least_gradient_levels_px) ** (2 / 3)
        return float(self.grain_px * np.sqrt(12 * max(wider**2 - 1, 0.0)))


def texture_of(picture: Picture, noise_levels: float) -> Texture | None:
    """Measure the texture of a picture.

    Parameters
    ----------
    picture
        (H, W) grey levels.
    noise_levels
        One-sigma of its noise, grey levels; its share of the gradient is taken out.

    Returns
    -------
    None where the noise leaves nothing to measure.

    Notes
    -----
    For white noise smoothed by a Gaussian of one-sigma a, the mean squares of first and second derivative
    along an axis are in the ratio 2 a^2 / 3.
    """
    levels = np.asarray(picture, np.float32)
    variance = noise_levels**2 + _ROUNDING
    across, first, second = np.array(_SCHARR), np.array([-0.5, 0.0, 0.5]), np.array([1.0, -2.0, 1.0])
    gradient = _mean_square(levels, first, across) - variance * _SCHARR_NOISE
    bend = _mean_square(levels, second, across) - variance * _SECOND_NOISE
    if gradient <= 0 or bend <= 0:
        return None
    return Texture(gradient_levels_px=float(np.sqrt(gradient)), grain_px=float(np.sqrt(1.5 * gradient / bend)))


def shift_bound_px2(noise_levels: ArrayLike, structure: Array) -> Array:
    """Cramer-Rao bound on the covariance of the shift between two noisy pictures of one unknown scene, px^2.

    Parameters
    ----------
    noise_levels
        One-sigma of the noise of each picture, grey levels.
    structure
        (2, 2) sum over all pixels used of the outer products of the brightness gradient, (grey levels/px)^2.

    Notes
    -----
    ``2 sigma^2 inverse(sum of gradient outer products)``: Robinson and Milanfar 2004, IEEE Transactions on Image
    Processing 13(9), 1185. The factor 2 is there because both pictures are noisy.
    """
    return np.asarray(2 * np.square(noise_levels) * np.linalg.inv(structure), float)


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackerNoise:
    """One-sigma of the motion of a whole picture as the tracks tell it, px, (along, across) the flight.

    ``noise_px`` by the noise of the pixels, ``blur_px`` what motion blur adds to that in quadrature, ``pull_px`` by
    interpolation between pixels; ``bound_px`` is the Cramer-Rao bound of the noise for all pixels, blur included.
    """

    noise_px: Array
    blur_px: Array
    pull_px: Array
    bound_px: Array


def tracker_noise(
    *, size_px: tuple[int, int], noise_levels: float, texture: Texture, blur_px: float, tracks: float
) -> TrackerNoise:
    """Predict how finely the tracks tell the motion between two pictures.

    Parameters
    ----------
    size_px
        Width and height of the picture.
    noise_levels
        One-sigma of the noise of a pixel, grey levels; rounding to 8 bits is added.
    texture
        What there is to see, without motion blur.
    blur_px
        Motion during the exposure.
    tracks
        How many that agree.

    Notes
    -----
    A track's window of w x w pixels reaches at best the Cramer-Rao bound of its pixels. N windows scattered over an
    area A share pixels: the variance of their mean is 1 + N w^2 / A times that of N independent ones.

    Bilinear interpolation at the fraction p of a pixel shifts a wave of k radians a pixel by ``p (1-p) (1-2p) k^2 / 6``
    (third cumulant of a two-point distribution). With p anywhere at either end, and ``k^2 = 3 / (2 a^2)`` the mean
    square frequency of the gradient, a track scatters by ``sqrt(2 / 210) k^2 / 6``. That interpolation weakens waves as
    well does next to nothing: gradient times second derivative sums to what is at the border of the window.
    """
    window = WINDOW_PX
    area = (size_px[0] - window) * (size_px[1] - window)
    variance = noise_levels**2 + _ROUNDING
    shared = (1 + tracks * window**2 / area) / tracks
    sharp = 2 * variance / (window * texture.blurred(0.0)) ** 2 * shared
    soft = 2 * variance / (window * texture.blurred(blur_px)) ** 2 * shared
    pull = np.sqrt(2 / 210 / tracks) * 1.5 / texture.grain_px**2 / 6
    whole = np.diag(texture.blurred(blur_px) ** 2) * size_px[0] * size_px[1]
    return TrackerNoise(
        noise_px=np.sqrt(sharp),
        blur_px=np.sqrt(soft - sharp),
        pull_px=np.full(2, pull),
        bound_px=np.sqrt(np.diag(shift_bound_px2(np.sqrt(variance), whole))),
    )


def least_gradient(noise_levels: float) -> float:
    """Rms gradient along the weakest direction that :class:`flow.tracks.LucasKanade` asks for, grey levels per pixel.

    It looks at a picture of half the size, where a gradient per pixel is twice as strong.
    """
    square = max(LucasKanade._LEAST_SQUARE, LucasKanade._LEAST_OVER_NOISE * noise_levels**2)
    return float(0.5 * np.sqrt(square))


def search_px(size_px: tuple[int, int], *, far: bool) -> float:
    """How far from its start :class:`flow.tracks.LucasKanade` finds a track, px; ``far``: without a velocity before.

    Each level of the pyramid halves the picture (Bouguet 2000): one level, or four, as many as stay larger than the
    window. At the coarsest of several, 3 px are found; 5 px where it is the first, which still shows much of the
    texture. Measured: nearly all tracks on photographs of gravel and grass and on synthetic gravel, soil and paving;
    at twice the range nearly none. A regular pattern such as brick can mislead the search earlier.
    """
    levels = 4 if far else 1
    while levels and -(-min(size_px) // 2**levels) <= WINDOW_PX:
        levels -= 1
    return float((3 if levels > 1 else 5) * 2**levels)


def _mean_square(levels: NDArray[np.float32], along: Array, across: Array) -> float:
    """Mean over both axes of the squared response to a separable kernel; borders are left out."""
    both = (cv2.sepFilter2D(levels, cv2.CV_32F, *kernels)[1:-1, 1:-1] for kernels in ((along, across), (across, along)))
    return float(np.mean([np.mean(np.square(part, dtype=np.float64)) for part in both]))
