"""The field of view in numbers, by hand for lenses simple enough."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from flow.budget.field import field_of
from flow.module import Module
from flow.scene import preset_module
from tests.streams import plain_module

NOMINAL = Rotation.from_euler("z", 90, degrees=True)


def mounted(turn: Rotation) -> Module:
    wxyz = (turn * NOMINAL).as_quat(scalar_first=True)
    return plain_module(alignment={"camera_to_body_wxyz": [float(q) for q in wxyz]})


def test_a_pinhole_by_hand() -> None:
    # Uniform over W x H px: mean square (H / f)^2 / 12 along the image's height, which is forward; 19 places a side
    # instead of all leave 1 / 19^2 of it out.
    field = field_of(plain_module())
    np.testing.assert_allclose(field.spread, np.square([240 / 260, 320 / 260]) / 12 * (1 - 1 / 19**2), rtol=1e-9)
    np.testing.assert_allclose(field.focal_px, 260.0, rtol=1e-9)
    np.testing.assert_allclose(field.extent, [240 / 260, 320 / 260], rtol=1e-9)
    np.testing.assert_allclose(field.axis_rad, 0.0, atol=1e-12)
    np.testing.assert_allclose(field.image_share, [[0, 1], [1, 0]], atol=1e-12)
    assert field.length_px == 240


def test_a_camera_mounted_sideways() -> None:
    # Turned by a quarter about the vertical, the image's width lies along forward.
    field = field_of(mounted(Rotation.from_euler("z", 90, degrees=True)))
    assert field.length_px == 320
    np.testing.assert_allclose(field.extent, [320 / 260, 240 / 260], rtol=1e-9)


def test_a_camera_that_looks_ahead() -> None:
    # Nose-up mounting (turn about body y by +10 degrees) tips the axis toward forward, body z toward body x.
    field = field_of(mounted(Rotation.from_euler("y", 10, degrees=True)))
    np.testing.assert_allclose(field.axis_rad, [np.radians(10), 0.0], atol=1e-9)
    np.testing.assert_allclose(field.spread[1], field_of(plain_module()).spread[1], rtol=1e-6)


def test_a_fisheye_by_brute_force() -> None:
    # Equidistant: theta = r / f. Seen from a place at angle theta, a pixel covers sec^2 theta / f radially and
    # tan theta / (theta f) across; the weights are the inverse squares of these. Summed over every pixel; a grid of
    # 19 leaves less than 1 %.
    module = preset_module("fisheye")
    camera = module.camera
    x, y = np.meshgrid(np.arange(camera.width_px) - camera.cx_px, np.arange(camera.height_px) - camera.cy_px)
    theta, angle = np.hypot(x, y) / camera.fx_px, np.arctan2(y, x)
    radial, across = np.cos(theta) ** 4, (theta / np.tan(theta)) ** 2
    c, s = np.cos(angle), np.sin(angle)
    forward = s**2 * radial + c**2 * across  # weight along image y
    pulled = s * radial * np.tan(theta)  # weight matrix times place: places lie along the radius
    spread = np.mean(np.tan(theta) * s * pulled) / np.mean(forward)
    field = field_of(module)
    assert field.spread[0] == pytest.approx(spread, rel=0.01)
    assert field.focal_px[0] == pytest.approx(camera.fx_px * np.sqrt(np.mean(forward)), rel=0.01)
    assert field.extent[1] == pytest.approx(2 * np.tan(160 / camera.fx_px), rel=0.01)


def test_a_fisheye_that_sees_the_horizon() -> None:
    wide = plain_module(camera={"model": "fisheye", "fx_px": 100.0, "fy_px": 100.0})  # 160 px are 92 degrees
    extent = field_of(wide).extent
    assert np.isfinite(extent[0]) and np.isinf(extent[1])
