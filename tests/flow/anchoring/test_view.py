"""The equations of an anchor against OpenCV's projection, and their solution against what was put in."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from flow.anchoring.fit import fit
from flow.anchoring.view import AnchorView, Shot, small_turn
from flow.camera import Lens
from flow.module import Module
from flow.tracks import Matches

MODULE = Module.model_validate(
    {
        "camera": {
            "width_px": 320, "height_px": 240, "fx_px": 262.0, "fy_px": 264.0, "cx_px": 161.0, "cy_px": 117.0,
            "distortion": [-0.2, 0.05, 0.001, -0.0005, 0.0],
        },
        "alignment": {"camera_position_m": [0.04, -0.02, 0.03]},
    }
)  # fmt: skip
LENS = Lens(MODULE.camera)
DISTANCE_M = 1.3
DOWN = np.array([0.06, -0.04, 1.0]) / np.linalg.norm([0.06, -0.04, 1.0])
TURN = Rotation.from_rotvec([0.05, -0.03, 0.2])
MOVED_M = np.array([0.12, -0.08, 0.05])
MISSED = np.array([0.002, -0.003, 0.004])


def shot(turn: Rotation) -> Shot:
    return Shot(time_s=0.0, turns=np.repeat(turn.as_matrix()[None], 2, axis=0), velocity_m_s=np.zeros(3))


def view(left_over: np.ndarray) -> AnchorView:
    start = Rotation.from_rotvec([0.3, 0.1, -0.4])
    return AnchorView(LENS, MODULE, shot(start), shot(start * TURN), DOWN, DISTANCE_M, left_over)


def grid() -> np.ndarray:
    x, y = np.meshgrid(np.linspace(40, 280, 13), np.linspace(40, 200, 9))
    return np.column_stack([x.ravel(), y.ravel()])


def projected(pixels: np.ndarray, missed: np.ndarray) -> np.ndarray:
    """OpenCV's projection of the plane's points into a camera that has turned and moved, lever arm included."""
    mounting = MODULE.alignment.R_body_camera.as_matrix()
    arm = np.array(MODULE.alignment.camera_position_m) @ mounting
    rays = np.column_stack([LENS.rays(pixels), np.ones(len(pixels))])
    ground = rays * (DISTANCE_M / (rays @ DOWN))[:, None]
    turn = Rotation.from_rotvec(missed) * TURN
    camera = MOVED_M + turn.apply(arm) - arm
    seen = turn.inv().apply(ground - camera)
    found, _ = cv2.projectPoints(
        seen, np.zeros(3), np.zeros(3), MODULE.camera.matrix, np.array(MODULE.camera.distortion)
    )
    return found.reshape(-1, 2)


def test_prediction_is_opencvs_projection() -> None:
    # 1e-6 px: rays of distorted pixels are found by iteration.
    found = view(MISSED).predict(grid(), MOVED_M / DISTANCE_M)
    # The turn is given to second order: 5 mrad cubed over 6 is 2e-8 rad, 6e-6 px.
    assert np.abs(found - projected(grid(), MISSED)).max() < 2e-5


def solved(
    steps: int = 4, prior_rad: float = 0.01, outliers: int = 0, start: float = 0.0
) -> tuple[np.ndarray, np.ndarray]:
    seen = projected(grid(), MISSED)
    seen[:outliers] += np.array([3.0, -2.0])
    unit = np.repeat(1e-4 * np.eye(2)[None], len(seen), axis=0)
    matches = Matches(first_px=grid(), second_px=seen, covariance_px2=unit, offered=len(seen))
    moved, missed = start * MOVED_M / DISTANCE_M, start * MISSED
    for _ in range(steps):
        equations, good = view(missed).equations(matches, moved)
        assert good.all()
        found = fit(equations, prior_rad**2 * np.eye(3), -missed)
        assert found is not None
        moved, missed = moved + found.change[:3], missed + found.change[3:]
    assert found.used.sum() == len(seen) - outliers
    return moved * DISTANCE_M, missed


def test_motion_and_missed_turn_are_recovered() -> None:
    # Exact truth. With matches of 0.01 px, whose covariance is stated, the prior of 10 mrad pulls a turn of 5 mrad by a
    # few parts in ten thousand.
    moved, missed = solved()
    assert moved == pytest.approx(MOVED_M, abs=2e-5)
    assert missed == pytest.approx(MISSED, abs=2e-5)


def test_matches_of_something_else_do_not_count() -> None:
    # A third of the picture, all on one side, moves otherwise; the motion expected is 1.5 px off.
    moved, missed = solved(outliers=39, start=0.95)
    assert moved == pytest.approx(MOVED_M, abs=5e-5)
    assert missed == pytest.approx(MISSED, abs=5e-5)


def test_a_turn_held_back_becomes_motion() -> None:
    # Mutation: where the gyro is believed to a microradian the missed turn is read as motion, about its angle times the
    # distance: the test above cannot pass by chance.
    moved, _ = solved(prior_rad=1e-6)
    assert np.abs(moved - MOVED_M)[:2].max() > 0.5 * 0.002 * DISTANCE_M


def test_small_turn_is_scipys_rotation() -> None:
    # Second order: the cube of the angle over 6.
    assert np.abs(small_turn(MISSED) - Rotation.from_rotvec(MISSED).as_matrix()).max() < np.linalg.norm(MISSED) ** 3 / 6
