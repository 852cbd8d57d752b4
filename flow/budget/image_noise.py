"""How finely the motion of a picture can be told: texture, noise, blur, and the Cramer-Rao bound."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from flow.registration.blocks import BlockMatcher
from flow.registration.filters import SMOOTHING_PX
from flow.tracks import LucasKanade

Array: TypeAlias = NDArray[np.float64]
Picture: TypeAlias = NDArray[np.uint8]

BORDER_PX = 2 * BlockMatcher._MARGIN
"""Rows, and columns, of a picture that no block covers."""

_ROUNDING = 1 / 12  # variance of rounding to whole grey levels (Bennett 1948)
_SCHARR_NOISE = 2 * (3**2 + 10**2 + 3**2) / 32**2  # what white noise of variance 1 leaves in a Scharr gradient
_SECOND_NOISE = 6 * (3**2 + 10**2 + 3**2) / 16**2  # ... and in a second difference with the same smoothing across
_SCHARR = (3 / 16, 10 / 16, 3 / 16)
_EFFICIENCY = 0.93  # of Tukey's weights on a radius of two dimensions (integrated)
_NOISE_IN_SLOPE = 1 / (8 * np.pi * SMOOTHING_PX**4)  # white noise of variance 1, smoothed


@dataclass(frozen=True, slots=True, kw_only=True)
class Texture:
    """What there is to see of the ground.

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
class BlockNoise:
    """One-sigma of the motion of a whole picture as the blocks tell it, px, (along, across) the flight.

    ``noise_px`` by the noise of the pixels, ``blur_px`` what motion blur adds to that in quadrature; ``bound_px`` is
    the Cramer-Rao bound for all pixels, blur included.
    """

    noise_px: Array
    blur_px: Array
    bound_px: Array


def block_noise(
    *, size_px: tuple[int, int], noise_levels: float, texture: Texture, blur_px: float, matched: float
) -> BlockNoise:
    """Predict how finely the blocks tell the motion between two pictures.

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
    matched
        Share of all blocks that are found again and agree.

    Notes
    -----
    A Gauss-Newton solution on pictures smoothed by a Gaussian G has the variance ``2 sigma^2 I(G^4) / I(G^2)^2``, where
    ``I(W)`` is the integral over all frequencies of k^2 times the picture's power times W, along one axis; the bound is
    ``2 sigma^2 / I(1)``. For the power ``exp(-a^2 k^2)`` of white noise smoothed to a grain a, and a smoothing of s,
    their ratio is ``(a^2 + s^2)^4 / ((a^2 + 2 s^2)^2 a^4)``: each axis gives a factor, the one along the motion of the
    power 3/2, the other of 1/2, of ``(A^2 + s^2)^2 / ((A^2 + 2 s^2) A^2)`` with its own grain A. It is larger as well by
    the pixels of no matched block, and by the weights that tame outliers.

    Left out: noise in the slopes adds up to a tenth where texture is at its least; offset and gain, which all blocks share
    unless a codec lights each on its own, take nearly nothing; interpolation pulls by 0.2 thousandths of a pixel.
    """
    variance = noise_levels**2 + _ROUNDING
    pixels = _blocks(size_px).covered_px * matched * _EFFICIENCY
    reached = [_bound(variance, texture, length, pixels) * _over_bound(texture, length) for length in (0.0, blur_px)]
    return BlockNoise(
        noise_px=np.sqrt(reached[0]),
        blur_px=np.sqrt(reached[1] - reached[0]),
        bound_px=np.sqrt(_bound(variance, texture, blur_px, size_px[0] * size_px[1])),
    )


def least_gradient(size_px: tuple[int, int], noise_levels: float, grain_px: float) -> float:
    """Rms gradient, grey levels per pixel, below which blocks are dropped for want of texture.

    :class:`flow.registration.blocks.BlockMatcher` looks at the smoothed picture, noise included: its square slope
    along the stronger direction must exceed an absolute limit, and what noise alone shows by chance.
    """
    noise = _NOISE_IN_SLOPE * (noise_levels**2 + _ROUNDING)
    luck = BlockMatcher._LUCK_PX / _blocks(size_px).side_px
    least = max(BlockMatcher._LEAST_SQUARE - noise, luck * noise)
    return float(np.sqrt(least) * (1 + (SMOOTHING_PX / grain_px) ** 2))


def search_px(size_px: tuple[int, int], *, far: bool) -> float:
    """How far from its start the motion is found, px; ``far``: without a velocity before.

    Blocks look no farther than :data:`flow.pair.search.NEAR_PX`; from beyond, tracks find the start for them. Each level of
    their pyramid halves the picture (Bouguet 2000): one level, or four, as many as stay larger than the window. At the
    coarsest of several, 3 px are found; 5 px where it is the first, which still shows much of the texture. Measured:
    nearly all tracks on photographs of gravel and grass and on synthetic gravel, soil and paving; at twice the range
    nearly none. A regular pattern such as brick can mislead the search earlier.
    """
    levels = 4 if far else 1
    while levels and -(-min(size_px) // 2**levels) <= LucasKanade._WINDOW:
        levels -= 1
    return float((3 if levels > 1 else 5) * 2**levels)


@lru_cache(maxsize=8)
def _blocks(size_px: tuple[int, int]) -> BlockMatcher:
    return BlockMatcher(*size_px)


def _bound(variance: float, texture: Texture, blur_px: float, pixels: float) -> Array:
    """Give the variance (along, across), px^2."""
    return np.diag(shift_bound_px2(np.sqrt(variance), np.diag(texture.blurred(blur_px) ** 2) * pixels))


def _over_bound(texture: Texture, blur_px: float) -> Array:
    """Give what smoothing costs: variance over the bound, (along, across) the motion."""
    grain = texture.grain_px**2 + np.array([blur_px**2 / 12, 0.0])
    factor = (grain + SMOOTHING_PX**2) ** 2 / ((grain + 2 * SMOOTHING_PX**2) * grain)
    return np.asarray(factor**1.5 * factor[::-1] ** 0.5)


def _mean_square(levels: NDArray[np.float32], along: Array, across: Array) -> float:
    """Mean over both axes of the squared response to a separable kernel; borders are left out."""
    both = (cv2.sepFilter2D(levels, cv2.CV_32F, *kernels)[1:-1, 1:-1] for kernels in ((along, across), (across, along)))
    return float(np.mean([np.mean(np.square(part, dtype=np.float64)) for part in both]))
