"""Pixel to ray and back, against OpenCV's own projection."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.optimize import brentq

from flow.camera import Lens
from flow.module import Camera

PINHOLE = (-0.28, 0.09, 0.0004, -0.0003, 0.01)
FISHEYE = (0.02, -0.01, 0.003, -0.001)


def camera(model: str, distortion: tuple[float, ...], focal_px: float = 266.0) -> Camera:
    return Camera.model_validate(
        {
            "model": model,
            "width_px": 320,
            "height_px": 240,
            "fx_px": focal_px,
            "fy_px": 1.01 * focal_px,
            "cx_px": 161.3,
            "cy_px": 118.2,
            "distortion": distortion,
        }
    )


LENSES = {
    "plain": camera("pinhole", ()),
    "pinhole": camera("pinhole", PINHOLE),
    "fisheye": camera("fisheye", FISHEYE, 160.0),
    "fisheye without terms": camera("fisheye", (), 160.0),
}


@pytest.fixture(params=LENSES)
def lens(request: pytest.FixtureRequest) -> Lens:
    return Lens(LENSES[request.param])


def projected(lens: Lens, rays: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Pixels of rays and, for each, their derivative (N, 2, 2): OpenCV's, through its translation columns."""
    points = np.column_stack([rays, np.ones(len(rays))])[:, None]
    c = lens.camera
    if c.model == "fisheye":
        seen, jacobian = cv2.fisheye.projectPoints(points, np.zeros(3), np.zeros(3), c.matrix, c.distortion_terms)
        first = 11  # columns: f 2, c 2, k 4, rotation 3, translation 3, skew 1
    else:
        seen, jacobian = cv2.projectPoints(points, np.zeros(3), np.zeros(3), c.matrix, c.distortion_terms)
        first = 3  # columns: rotation 3, translation 3, ...
    return seen[:, 0], jacobian.reshape(len(rays), 2, -1)[:, :, first : first + 2]


def grid(reach_x: float, reach_y: float) -> np.ndarray:
    x, y = np.meshgrid(np.linspace(-reach_x, reach_x, 9), np.linspace(-reach_y, reach_y, 7))
    return np.column_stack([x.ravel(), y.ravel()])


def test_pixels_are_those_of_an_independent_projection(lens: Lens) -> None:
    # Source: cv2.projectPoints and cv2.fisheye.projectPoints. 1e-9 px: double precision of 320.
    rays = grid(0.58, 0.43)
    np.testing.assert_allclose(lens.pixels(rays), projected(lens, rays)[0], atol=1e-9)


def test_rays_undo_the_independent_projection(lens: Lens) -> None:
    # Source: OpenCV's projection forward. 1e-6 at unit depth is 3e-4 px: the iteration's end, far below a
    # track's noise.
    rays = grid(0.58, 0.43)
    np.testing.assert_allclose(lens.rays(projected(lens, rays)[0]), rays, atol=1e-6)


def test_round_trip_over_the_whole_picture(lens: Lens) -> None:
    # Closed form: the identity; 1e-3 px is what the class promises, a hundredth of a good track's noise.
    x, y = np.meshgrid(np.arange(0, 320, 13.0), np.arange(0, 240, 13.0))
    pixels = np.column_stack([x.ravel(), y.ravel()])
    np.testing.assert_allclose(lens.pixels(lens.rays(pixels)), pixels, atol=1e-3)


def test_wrong_order_of_terms_would_be_noticed() -> None:
    # Mutation of the tests above: p1 and p2 swapped moves a corner by more than 1e-2 px.
    swapped = (PINHOLE[0], PINHOLE[1], PINHOLE[3], PINHOLE[2], PINHOLE[4])
    rays = grid(0.58, 0.43)
    wrong = Lens(camera("pinhole", swapped)).pixels(rays) - projected(Lens(LENSES["pinhole"]), rays)[0]
    assert np.abs(wrong).max() > 1e-2


def test_no_ray_outside_a_fisheyes_circle() -> None:
    # Closed form: 85 degrees off the axis is f theta from the centre for an equidistant lens without terms.
    lens = Lens(camera("fisheye", (), 70.0))
    edge = 70.0 * np.radians(85.0)
    angle = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    circle = np.column_stack([np.cos(angle), 1.01 * np.sin(angle)])
    centre = np.array([161.3, 118.2])
    assert np.isfinite(lens.rays(centre + 0.99 * edge * circle)).all()
    assert np.isnan(lens.rays(centre + 1.01 * edge * circle)).all()
    assert np.isnan(lens.rays(centre + 1.3 * edge * circle)).all()


def test_no_ray_where_the_pinhole_polynomial_folds_back() -> None:
    # Closed form: r (1 - k r^2) peaks at r = 1 / sqrt(3 k); no ray lands beyond, below the inner root is the
    # ray.
    k, focal = 0.3, 266.0
    lens = Lens(
        Camera.model_validate(
            {
                "width_px": 640,
                "height_px": 480,
                "fx_px": focal,
                "fy_px": focal,
                "cx_px": 320,
                "cy_px": 240,
                "distortion": (-k, 0, 0, 0, 0),
            }
        )
    )
    peak = 1 / np.sqrt(3 * k)
    highest = peak * (1 - k * peak**2)
    inside = 0.9 * highest
    root = brentq(lambda r: r * (1 - k * r * r) - inside, 0, peak)
    found = lens.rays(np.array([[320 + focal * inside, 240.0], [320 + focal * 1.02 * highest, 240.0]]))
    np.testing.assert_allclose(found[0], [root, 0], atol=1e-5)  # 1e-3 px through the slope of 0.3 here
    assert np.isnan(found[1]).all()


def test_a_ray_is_found_wherever_a_bent_lens_has_one() -> None:
    # Closed form: the lens's own equations forward, on rays up to 84 degrees off the axis, where a pixel is worth 1.2 degrees,
    # and close to where a polynomial folds back (0.77). 1e-7 px is where the iteration ends.
    for bent, most in (((0.05, 0.02, 0.0, 0.0), np.tan(np.radians(84))), ((-0.3, -0.2, 0.002, 0.003, -0.05), 0.74)):
        lens = Lens(camera("fisheye" if len(bent) == 4 else "pinhole", bent, 70.0))
        rays = most * np.column_stack([np.linspace(-1, 1, 101), np.zeros(101)])
        pixels = lens.pixels(rays)
        found = lens.rays(pixels)
        np.testing.assert_allclose(lens.pixels(found), pixels, rtol=0, atol=2e-7)
        np.testing.assert_allclose(found, rays, rtol=0, atol=1e-5)


def test_derivative_of_ray_by_pixel(lens: Lens) -> None:
    # Source: the inverse of OpenCV's analytic Jacobian; 1e-9 is double precision of numbers near 1.
    x, y = np.meshgrid(np.arange(40, 290, 24.0), np.arange(24, 220, 16.0))
    rays = lens.rays(np.column_stack([x.ravel(), y.ravel()]))
    expected = np.linalg.inv(projected(lens, rays)[1])
    missed = np.linalg.norm(lens.ray_per_pixel(rays) - expected, axis=(1, 2))
    assert (missed / np.linalg.norm(expected, axis=(1, 2))).max() < 1e-9


def test_no_points_are_no_rays(lens: Lens) -> None:
    # An empty set of points is normal input.
    assert lens.rays(np.empty((0, 2))).shape == (0, 2)
    assert lens.pixels(np.empty((0, 2))).shape == (0, 2)
