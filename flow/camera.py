"""Pixel to ray and back, through the points only: pictures are never undistorted."""

from __future__ import annotations

from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from flow.compiled import compiled
from flow.module import Camera

Array: TypeAlias = NDArray[np.float64]

_WIDEST_RAD = np.radians(85.0)  # unit-depth rays grow without bound at 90 degrees off the axis
_CRITERIA = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 60, 1e-9)  # the default stops 0.05 px early
_ROUND_TRIP_PX = 1e-3
_JACOBIAN_STEP_PX = 8


class Lens:
    """The lens of a module: Brown-Conrady pinhole or Kannala-Brandt equidistant fisheye.

    A ray is a direction in camera axes at unit depth, ``(x, y, 1)``; only its ``(x, y)`` is stored.

    Parameters
    ----------
    camera
        The camera section of a module file.

    Notes
    -----
    The lens equations are OpenCV's (``projectPoints``, ``fisheye``), which follow Brown 1971 and Kannala and
    Brandt 2006.
    """

    def __init__(self, camera: Camera) -> None:
        self.camera = camera
        self._matrix = camera.matrix
        self._terms = camera.distortion_terms
        self._fisheye = camera.model == "fisheye"
        self._plain = not self._fisheye and not self._terms.any()
        self._remembered: tuple[Array | None, Array] = None, np.empty((0, 2))
        self._invertible = False  # checked point by point until the whole picture is known to be
        self._jacobians = self._jacobian_grid()
        self._invertible = bool(np.isfinite(self._jacobians).all())

    def rays(self, pixels: Array) -> Array:
        """Rays of pixels.

        Parameters
        ----------
        pixels
            (N, 2), column and row, px.

        Returns
        -------
        (N, 2) x and y at unit depth; NaN where the lens has no ray (outside a fisheye's circle, or more than
        85 degrees off the axis).

        Notes
        -----
        Those of the last read-only array are remembered: a fixed grid is asked for with every frame.
        """
        if pixels is self._remembered[0]:
            return self._remembered[1]
        rays = self._rays(np.asarray(pixels, float).reshape(-1, 2))
        if isinstance(pixels, np.ndarray) and not pixels.flags.writeable:
            self._remembered = pixels, rays
        return rays

    def _rays(self, pixels: Array) -> Array:
        if self._plain or len(pixels) == 0:
            return (pixels - self._matrix[:2, 2]) / self._matrix[[0, 1], [0, 1]]
        given = np.ascontiguousarray(pixels[:, None])
        if self._fisheye:
            found = cv2.fisheye.undistortPoints(given, self._matrix, self._terms, criteria=_CRITERIA)
        else:
            found = cv2.undistortPoints(given, self._matrix, self._terms, criteria=_CRITERIA)
        rays: Array = np.asarray(found[:, 0], np.float64)
        if self._invertible:
            return rays
        wide = ~(np.hypot(rays[:, 0], rays[:, 1]) < np.tan(_WIDEST_RAD))
        rays[wide] = 0.0
        missed = np.abs(self.pixels(rays) - pixels).max(axis=1) > _ROUND_TRIP_PX
        rays[wide | missed] = np.nan
        return rays

    def pixels(self, rays: Array) -> Array:
        """Pixels of rays, the inverse of :meth:`rays`; (N, 2) to (N, 2)."""
        rays = np.ascontiguousarray(rays, np.float64).reshape(-1, 2)
        return np.asarray((_bent_wide if self._fisheye else _bent)(rays, self._matrix, self._terms))

    def ray_per_pixel(self, pixels: Array) -> Array:
        """Give the derivative of ray by pixel, (N, 2, 2), at the nearest point of an 8 px grid.

        Used for the weight of a measurement, never for its value: a coarse grid serves.
        """
        rows, columns = self._jacobians.shape[:2]
        cells = (np.asarray(pixels) / _JACOBIAN_STEP_PX + 0.5).astype(int)
        return np.asarray(self._jacobians[np.clip(cells[:, 1], 0, rows - 1), np.clip(cells[:, 0], 0, columns - 1)])

    def _jacobian_grid(self) -> Array:
        x, y = np.meshgrid(
            np.arange(0, self.camera.width_px + _JACOBIAN_STEP_PX, _JACOBIAN_STEP_PX),
            np.arange(0, self.camera.height_px + _JACOBIAN_STEP_PX, _JACOBIAN_STEP_PX),
        )
        at = np.column_stack([x.ravel(), y.ravel()]).astype(float)
        half_x, half_y = np.array([[0.5, 0.0], [0.0, 0.5]])
        along_x = self.rays(at + half_x) - self.rays(at - half_x)
        along_y = self.rays(at + half_y) - self.rays(at - half_y)
        return np.stack([along_x, along_y], axis=-1).reshape(*x.shape, 2, 2)


@compiled
def _bent(rays: Array, matrix: Array, terms: Array) -> Array:
    """Brown 1971: OpenCV's ``projectPoints``, which takes ten times as long, since it gives derivatives too."""
    k1, k2, p1, p2, k3 = terms
    pixels = np.empty_like(rays)
    for i in range(len(rays)):
        x, y = rays[i]
        r2 = x * x + y * y
        radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
        pixels[i, 0] = matrix[0, 0] * (x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)) + matrix[0, 2]
        pixels[i, 1] = matrix[1, 1] * (y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y) + matrix[1, 2]
    return pixels


@compiled
def _bent_wide(rays: Array, matrix: Array, terms: Array) -> Array:
    """Kannala and Brandt 2006: OpenCV's ``fisheye.distortPoints``, which some builds of it do not have."""
    k1, k2, k3, k4 = terms
    pixels = np.empty_like(rays)
    for i in range(len(rays)):
        x, y = rays[i]
        r = np.hypot(x, y)
        theta = np.arctan(r)
        t2 = theta * theta
        scale = theta * (1 + t2 * (k1 + t2 * (k2 + t2 * (k3 + t2 * k4)))) / r if r > 1e-12 else 1.0
        pixels[i, 0] = matrix[0, 0] * scale * x + matrix[0, 2]
        pixels[i, 1] = matrix[1, 1] * scale * y + matrix[1, 2]
    return pixels
