"""Pixel to ray and back, through the points only: pictures are never undistorted."""

from __future__ import annotations

from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from flow.module import Camera
from flow.numerics.compiled import compiled

Array: TypeAlias = NDArray[np.float64]

_WIDEST = float(np.tan(np.radians(85.0)))  # unit-depth rays grow without bound at 90 degrees off the axis
_ROUNDS = 40  # four do in the middle of a picture; a lens that takes more hardly moves its pixels there
_CLOSE_PX = 1e-7


class _Numbers(NamedTuple):
    """A lens as plain numbers, which compiled loops keep in registers; the terms in the model's order.

    ``a`` to ``e`` are k1 k2 p1 p2 k3 of a pinhole, k1 k2 k3 k4 and 0 of a fisheye.
    """

    fisheye: bool
    fx: float
    fy: float
    cx: float
    cy: float
    a: float
    b: float
    c: float
    d: float
    e: float


class Lens:
    """The lens of a module: Brown-Conrady pinhole or Kannala-Brandt equidistant fisheye.

    A ray is a direction in camera axes at unit depth, ``(x, y, 1)``; only its ``(x, y)`` is stored.

    Parameters
    ----------
    camera
        The camera section of a module file.

    Notes
    -----
    The lens equations are those of Brown 1971 and of Kannala and Brandt 2006, in OpenCV's order of terms. They are
    inverted by Newton's method rather than by OpenCV's ``undistortPoints``, which takes ten times as long for the few
    hundred points of a frame and gives a point where the lens has none.
    """

    def __init__(self, camera: Camera) -> None:
        self.camera = camera
        terms = [*camera.distortion_terms.tolist(), 0.0][:5]
        self._numbers = _Numbers(
            camera.model == "fisheye", camera.fx_px, camera.fy_px, camera.cx_px, camera.cy_px, *terms
        )

    def rays(self, pixels: Array) -> Array:
        """Rays of pixels.

        Parameters
        ----------
        pixels
            (N, 2), column and row, px.

        Returns
        -------
        (N, 2) x and y at unit depth; NaN where the lens has no ray (outside a fisheye's circle, beyond where the
        polynomial folds back, or more than 85 degrees off the axis).
        """
        return np.asarray(_straightened(_points(pixels), self._numbers))

    def pixels(self, rays: Array) -> Array:
        """Pixels of rays, the inverse of :meth:`rays`; (N, 2) to (N, 2)."""
        return np.asarray(_bent(_points(rays), self._numbers))

    def ray_per_pixel(self, rays: Array) -> Array:
        """Give the derivative of ray by pixel at rays (N, 2): (N, 2, 2)."""
        return np.asarray(_slopes(_points(rays), self._numbers))

    def ray_per_focal_length(self, rays: Array) -> Array:
        """Give how rays (N, 2) move apart when fx (column 0) and fy (column 1) are believed shorter, by a share: (N, 2, 2)."""
        off_axis = self.pixels(rays) - [self._numbers.cx, self._numbers.cy]
        return np.asarray(self.ray_per_pixel(rays) * off_axis[:, None, :])


def _points(given: Array) -> Array:
    return np.ascontiguousarray(given, np.float64).reshape(-1, 2)


@compiled
def _bend(x: float, y: float, lens: _Numbers) -> tuple[float, float, float, float, float, float]:
    """Pixel of a ray, and its derivatives: u, v, du/dx, du/dy, dv/dx, dv/dy."""
    fisheye, fx, fy, cx, cy, a, b, c, d, e = lens
    r2 = x * x + y * y
    if fisheye:
        r = np.sqrt(r2)
        theta = np.arctan(r)
        t2 = theta * theta
        bent = theta * (1 + t2 * (a + t2 * (b + t2 * (c + t2 * d))))
        slope = (1 + t2 * (3 * a + t2 * (5 * b + t2 * (7 * c + t2 * 9 * d)))) / (1 + r2)
        scale, change = (bent / r, (slope - bent / r) / r2) if r > 1e-8 else (1.0, 0.0)
        u, v = x * scale, y * scale
        ux, uy, vy = scale + change * x * x, change * x * y, scale + change * y * y
    else:
        scale, change = 1 + r2 * (a + r2 * (b + r2 * e)), 2 * (a + r2 * (2 * b + r2 * 3 * e))
        u = x * scale + 2 * c * x * y + d * (r2 + 2 * x * x)
        v = y * scale + c * (r2 + 2 * y * y) + 2 * d * x * y
        ux, vy = scale + change * x * x + 2 * c * y + 6 * d * x, scale + change * y * y + 6 * c * y + 2 * d * x
        uy = change * x * y + 2 * c * x + 2 * d * y
    return fx * u + cx, fy * v + cy, fx * ux, fx * uy, fy * uy, fy * vy


@compiled
def _bent(rays: Array, lens: _Numbers) -> Array:
    pixels = np.empty_like(rays)
    for i in range(len(rays)):
        u, v, _, _, _, _ = _bend(rays[i, 0], rays[i, 1], lens)
        pixels[i, 0], pixels[i, 1] = u, v
    return pixels


@compiled
def _slopes(rays: Array, lens: _Numbers) -> Array:
    slopes = np.empty((len(rays), 2, 2))
    for i in range(len(rays)):
        _, _, ux, uy, vx, vy = _bend(rays[i, 0], rays[i, 1], lens)
        area = ux * vy - uy * vx
        slopes[i, 0, 0], slopes[i, 0, 1] = vy / area, -uy / area
        slopes[i, 1, 0], slopes[i, 1, 1] = -vx / area, ux / area
    return slopes


@compiled
def _straightened(pixels: Array, lens: _Numbers) -> Array:
    """Newton's method from where the ray would be without distortion; NaN where it leads nowhere.

    A lens that bends ever more, or ever less, is approached from one side, so that a step across a fold of the
    polynomial, where pixels move the other way, shows that there is no ray.
    """
    rays = np.full_like(pixels, np.nan)
    for i in range(len(pixels)):
        x, y = (pixels[i, 0] - lens.cx) / lens.fx, (pixels[i, 1] - lens.cy) / lens.fy
        for _ in range(_ROUNDS):
            u, v, ux, uy, vx, vy = _bend(x, y, lens)
            area = ux * vy - uy * vx
            off_u, off_v = pixels[i, 0] - u, pixels[i, 1] - v
            if not (area > 0 and ux + vy > 0):
                break
            if abs(off_u) + abs(off_v) < _CLOSE_PX:
                if x * x + y * y < _WIDEST**2:
                    rays[i, 0], rays[i, 1] = x, y
                break
            x += (vy * off_u - uy * off_v) / area
            y += (ux * off_v - vx * off_u) / area
    return rays
