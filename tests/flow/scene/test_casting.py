"""Rays on the ground: means over an exposure, speeds and pixel extents in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from flow.module import Alignment
from flow.scene import CameraPath, from_function, straight
from flow.scene.casting import Caster
from flow.scene.optics import RING, blur_kernels, phases
from tests.flow.scene.grounds import pinhole

ROW, COLUMN = 20 + RING, 30 + RING


def test_mean_place_and_speed_over_an_accelerated_exposure() -> None:
    # North with 40 m/s^2 about t = 0.05: the mean place over an exposure T is a T^2 / 24, not its middle's or ends'.
    path = CameraPath(
        from_function(lambda t: np.outer((t - 0.05) ** 2, [20.0, 0, 0, 0, 0, 0]) - [0, 0, 1, 0, 0, 0], 0.1), Alignment()
    )
    exposure = 0.02
    cast = Caster(pinhole(64, 48, 50)).cast(path, 0.05, exposure)
    column, row = COLUMN - RING, ROW - RING
    north = -(row - 23.5) / 50 + 40 * exposure**2 / 24
    east = (column - 31.5) / 50
    # Single precision: 1e-7 of a metre.
    assert cast.base_m + cast.ground_m[:, ROW, COLUMN] == pytest.approx([north, east], abs=1e-6)
    assert cast.per_second[:, ROW, COLUMN] == pytest.approx([0, 0], abs=1e-4)
    later = Caster(pinhole(64, 48, 50)).cast(path, 0.07, exposure)
    assert later.per_second[:, ROW, COLUMN] == pytest.approx([40 * 0.02, 0], abs=1e-4)


def test_pixel_extent_is_that_at_one_time_although_rows_roll() -> None:
    # Flying north at 10 m/s, two rows 0.5 ms apart see places 5 mm apart more or less; the pixel is 20 mm all the same.
    path = CameraPath(straight(1, height_m=1, speed_m_s=10), Alignment())
    cast = Caster(pinhole(64, 48, 50, readout_s=0.024)).cast(path, 0.5, 0.0)
    assert cast.along_v[:, ROW, COLUMN] == pytest.approx([-0.02, 0], abs=1e-5)
    assert cast.along_u[:, ROW, COLUMN] == pytest.approx([0, 0.02], abs=1e-5)
    step = cast.ground_m[0, ROW + 1, COLUMN] - cast.ground_m[0, ROW, COLUMN]
    assert step == pytest.approx(-0.02 + 10 * 0.024 / 48, abs=1e-5)


def test_kernels_are_a_box_in_a_gaussian() -> None:
    places = phases(4)
    weights = np.array(blur_kernels(places, 0.6))
    at = (places[:, None] + np.arange(-RING, RING + 1)).ravel()
    assert weights.sum() == pytest.approx(1, abs=1e-6)
    assert (weights.ravel() * at).sum() == pytest.approx(0, abs=1e-7)
    # Variances add: 1/12 of the box, 0.36 of the blur; what lies beyond 2.5 px is cut off.
    assert (weights.ravel() * at**2).sum() == pytest.approx(1 / 12 + 0.36, rel=0.01)
    box = np.array(blur_kernels(places, 0.0))
    np.testing.assert_allclose(box[:, RING], 0.25)
    assert np.delete(box, RING, axis=1).max() == 0
