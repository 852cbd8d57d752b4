"""Axes of a log against SciPy's rotation group of the cube."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from flow.errors import DataError
from flow.intake.axes import AS_LOGGED, R_body_log, axes_text, nearest_axes

CUBE = np.rint(Rotation.create_group("O").as_matrix())


def test_all_24_right_angled_mountings_are_written_and_read_back():
    texts = {axes_text(matrix) for matrix in CUBE}
    assert len(texts) == 24
    for matrix in CUBE:
        np.testing.assert_array_equal(R_body_log(axes_text(matrix)), matrix)


def test_the_sign_belongs_to_the_axis_of_the_log():
    # A log whose x points left: what it calls +1 about x is -1 about body y (right).
    np.testing.assert_array_equal(R_body_log("x=y y=-x z=z") @ [1.0, 0.0, 0.0], [0.0, -1.0, 0.0])
    np.testing.assert_array_equal(R_body_log(AS_LOGGED), np.eye(3))
    np.testing.assert_array_equal(R_body_log(" X=-Y, y=x; z=+z "), [[0, -1, 0], [1, 0, 0], [0, 0, 1]])


@pytest.mark.parametrize(
    "text", ["", "x=y", "x=x y=x z=z", "x=x y=y y=z", "x=a y=y z=z", "x=x y=y z=z x=x", "x=2y y=x z=z"]
)
def test_what_is_no_three_axes_is_refused(text):
    with pytest.raises(DataError, match="is not three axes; write for example"):
        R_body_log(text)


@pytest.mark.parametrize("text", ["x=-x y=y z=z", "x=y y=x z=z"])
def test_mirror_images_are_refused(text):
    with pytest.raises(DataError, match="mirror image"):
        R_body_log(text)


def test_the_nearest_mounting_is_found_with_its_angle():
    for k, matrix in enumerate(CUBE):
        off = Rotation.from_rotvec(np.radians(30) * np.eye(3)[k % 3])
        nearest, angle = nearest_axes(off.as_matrix() @ matrix)
        np.testing.assert_array_equal(nearest, matrix)
        assert angle == pytest.approx(np.radians(30), abs=1e-12)
