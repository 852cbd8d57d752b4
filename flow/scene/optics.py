"""Pixels as areas: their rays, the places within a pixel, and the weights that lens blur gives those."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

from flow.camera import Lens
from flow.module import Camera
from flow.scene.textures import Tile

Array: TypeAlias = NDArray[np.float64]

RING = 2
"""Rows and columns needed beyond the picture for the lens blur."""


def pixel_rays(camera: Camera, margin: int) -> tuple[Array, NDArray[np.bool_]]:
    """Rays of all pixel centres and of ``margin`` more on every side.

    Returns
    -------
    rays
        (2, H + 2 margin, W + 2 margin), x and y at unit depth; 0 where there is none.
    missing
        Where the lens has no ray.
    """
    y, x = np.mgrid[-margin : camera.height_px + margin, -margin : camera.width_px + margin].astype(float)
    rays = Lens(camera).rays(np.column_stack([x.ravel(), y.ravel()])).T.reshape(2, *x.shape)
    missing: NDArray[np.bool_] = np.asarray(np.isnan(rays).any(axis=0))
    return np.where(missing, 0.0, rays), missing


def phases(count: int) -> Array:
    """Offsets of ``count`` places spread evenly over a pixel, px."""
    return np.asarray((np.arange(count) + 0.5) / count - 0.5)


def blur_kernels(places: Array, sigma_px: float) -> list[Tile]:
    """Weights of a pixel's box convolved with a Gaussian lens blur.

    Parameters
    ----------
    places
        Offsets within a pixel, as :func:`phases` gives.
    sigma_px
        One-sigma of the blur; 0 leaves the box alone.

    Returns
    -------
    For each place the weights of the same place in the pixels from two before to two after; all of them together
    sum to one.
    """
    at = places[:, None] + np.arange(-RING, RING + 1)
    if sigma_px > 0:
        width = np.sqrt(2) * sigma_px
        weights = erf((at + 0.5) / width) - erf((at - 0.5) / width)
    else:
        weights = (np.abs(at) < 0.5).astype(float)
    return list((weights / weights.sum()).astype(np.float32))
