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
SLOPE = np.array([0.006, -0.008])


def shot(turn: Rotation) -> Shot:
    turns = np.repeat(turn.as_matrix()[None], 2, axis=0)
    return Shot(time_s=0.0, turns=turns, velocity_m_s=np.zeros(3), acceleration_m_s2=np.zeros(3))


def view(wrong: np.ndarray) -> AnchorView:
    start = Rotation.from_rotvec([0.3, 0.1, -0.4])
    return AnchorView(LENS, MODULE, shot(start), shot(start * TURN), DOWN, DISTANCE_M, wrong)


def grid() -> np.ndarray:
    x, y = np.meshgrid(np.linspace(40, 280, 13), np.linspace(40, 200, 9))
    return np.column_stack([x.ravel(), y.ravel()])


def projected(pixels: np.ndarray, missed: np.ndarray) -> np.ndarray:
    """OpenCV's projection of a sloping plane's points into a camera that has turned and moved, lever arm included."""
    mounting = MODULE.alignment.R_body_camera.as_matrix()
    arm = np.array(MODULE.alignment.camera_position_m) @ mounting
    rays = np.column_stack([LENS.rays(pixels), np.ones(len(pixels))])
    x = np.array([1.0, 0.0, 0.0]) - DOWN[0] * DOWN
    x /= np.linalg.norm(x)
    sloping = DOWN + SLOPE[0] * x + SLOPE[1] * np.cross(DOWN, x)
    ground = rays * (DISTANCE_M / (rays @ (sloping / np.linalg.norm(sloping))))[:, None]
    turn = Rotation.from_rotvec(missed) * TURN
    camera = MOVED_M + turn.apply(arm) - arm
    seen = turn.inv().apply(ground - camera)
    found, _ = cv2.projectPoints(
        seen, np.zeros(3), np.zeros(3), MODULE.camera.matrix, np.array(MODULE.camera.distortion)
    )
    return found.reshape(-1, 2)


def test_prediction_is_opencvs_projection() -> None:
    # 1e-6 px: rays of distorted pixels are found by iteration.
    found = view(np.concatenate([MISSED, SLOPE])).predict(grid(), MOVED_M / DISTANCE_M)
    # The turn is given to second order: 5 mrad cubed over 6 is 2e-8 rad, 6e-6 px.
    assert np.abs(found - projected(grid(), MISSED)).max() < 2e-5


@pytest.mark.parametrize(("slip", "least_px", "most_px"), [(1.0, 0.0, 1e-3), (0.0, 0.04, 1.0), (-1.0, 0.08, 1.0)])
def test_rolling_rows_at_a_changing_speed(slip: float, least_px: float, most_px: float) -> None:
    # Exact truth by OpenCV: each point is projected at the instant at which its row is exposed. 3 m/s^2 over half a readout
    # of 14 ms are 0.07 mm, 0.015 px at 1.3 m, in either picture; they are seen when left out (0) or turned about (-1).
    rolling = MODULE.model_copy(update={"camera": MODULE.camera.model_copy(update={"readout_s": 0.014})})
    start = Rotation.from_rotvec([0.3, 0.1, -0.4])
    speed, change = np.array([0.8, -1.1, 0.3]), 6 * np.array([1.0, -2.0, 1.5])
    shots = [
        Shot(time_s=0.0, turns=np.repeat(turn.as_matrix()[None], 2, axis=0), velocity_m_s=start.apply(way * speed),
             acceleration_m_s2=slip * start.apply(way * change))
        for turn, way in ((start, 1.0), (start * TURN, -1.0))
    ]  # fmt: skip
    found = AnchorView(LENS, rolling, *shots, DOWN, DISTANCE_M, np.zeros(5)).predict(grid(), MOVED_M / DISTANCE_M)
    arm = np.array(MODULE.alignment.camera_position_m) @ MODULE.alignment.R_body_camera.as_matrix()

    def since(row: float) -> float:
        return ((row + 0.5) / 240 - 0.5) * 0.014

    for pixel, seen in zip(grid(), found, strict=True):
        t = since(pixel[1])
        ray, place = np.array([*LENS.rays(pixel[None])[0], 1.0]), speed * t + 0.5 * change * t**2
        ground = place + ray * (DISTANCE_M - place @ DOWN) / (ray @ DOWN)
        true = pixel
        for _ in range(8):
            t = since(true[1])
            camera = MOVED_M - speed * t - 0.5 * change * t**2 + TURN.apply(arm) - arm
            true = cv2.projectPoints(
                TURN.inv().apply(ground - camera), np.zeros(3), np.zeros(3), MODULE.camera.matrix,
                np.array(MODULE.camera.distortion),
            )[0].ravel()  # fmt: skip
        least_px = max(least_px - np.abs(seen - true).max(), 0.0)
        assert np.abs(seen - true).max() < most_px
    assert least_px == 0.0


def solved(
    steps: int = 4, prior_rad: float = 0.01, slope_rad: float = 0.02, outliers: int = 0, start: float = 0.0
) -> tuple[np.ndarray, np.ndarray]:
    seen = projected(grid(), MISSED)
    seen[:outliers] += np.array([3.0, -2.0])
    unit = np.repeat(1e-4 * np.eye(2)[None], len(seen), axis=0)
    matches = Matches(first_px=grid(), second_px=seen, covariance_px2=unit, offered=len(seen))
    likely = start * np.concatenate([MISSED, SLOPE])
    moved, wrong = start * MOVED_M / DISTANCE_M, likely
    prior = np.diag(np.square([prior_rad] * 3 + [slope_rad] * 2))
    for _ in range(steps):
        equations, good = view(wrong).equations(matches, moved)
        assert good.all()
        found = fit(equations, prior, likely - wrong)
        assert found is not None
        moved, wrong = moved + found.change[:3], wrong + found.change[3:]
    assert slope_rad < 1e-3 or found.used.sum() == len(seen) - outliers
    return moved * DISTANCE_M, wrong


def test_motion_and_missed_turn_are_recovered() -> None:
    # Exact truth. With matches of 0.01 px, whose covariance is stated, the prior of 10 mrad pulls a turn of 5 mrad by a
    # few parts in ten thousand.
    moved, wrong = solved()
    assert moved == pytest.approx(MOVED_M, abs=5e-5)
    assert wrong[:3] == pytest.approx(MISSED, abs=3e-5)
    assert wrong[3:] == pytest.approx(SLOPE, abs=1e-4)


def test_matches_of_something_else_do_not_count() -> None:
    # A third of the picture, all on one side, moves otherwise; the motion expected is 1.5 px off.
    moved, wrong = solved(outliers=39, start=0.95, prior_rad=1e-3, slope_rad=8e-3)
    assert moved == pytest.approx(MOVED_M, abs=5e-5)
    assert wrong[:3] == pytest.approx(MISSED, abs=5e-5)


def test_a_turn_held_back_becomes_motion() -> None:
    # Mutation: where the gyro is believed to a microradian the missed turn is read as motion, about its angle times the
    # distance: the test above cannot pass by chance.
    moved, _ = solved(prior_rad=1e-6)
    assert np.abs(moved - MOVED_M)[:2].max() > 0.5 * 0.002 * DISTANCE_M


def test_a_slope_held_back_becomes_a_turn() -> None:
    # Mutation: ground that is believed level turns the picture by about half the way times its slope across (0.4 mrad here).
    _, wrong = solved(slope_rad=1e-6)
    assert np.abs(wrong[:3] - MISSED).max() > 3e-4


def test_matches_alone_need_no_gyro() -> None:
    # Exact truth: way and turn by the matches, the slope known; what turn and slope make of the way is the matches' too.
    seen = projected(grid(), MISSED)
    unit = np.repeat(1e-4 * np.eye(2)[None], len(seen), axis=0)
    matches = Matches(first_px=grid(), second_px=seen, covariance_px2=unit, offered=len(seen))
    start = np.concatenate([0.9 * MISSED, SLOPE])
    equations, _ = view(start).equations(matches, MOVED_M / DISTANCE_M)
    found = fit(equations, 1e-10 * np.eye(5), np.zeros(5))  # a gyro believed in vain
    assert found is not None
    change, covariance = found.alone(np.zeros(2), 1e-10 * np.eye(2))
    assert change[:3] * DISTANCE_M == pytest.approx(np.zeros(3), abs=2e-5)
    assert change[3:] == pytest.approx(0.1 * MISSED, abs=1e-5)
    assert (np.linalg.eigvalsh(covariance) > 0).all()
    way, own, _ = found.way_given(np.concatenate([0.1 * MISSED, np.zeros(2)]))
    assert way == pytest.approx(change[:3], abs=1e-6)
    assert (np.diag(own) < np.diag(covariance)[:3]).all()
    information, pull = found.of_turn()
    known = np.diag([0.0] * 3 + [1e10] * 2)
    assert np.linalg.solve(information + known, pull)[:3] == pytest.approx(change[3:], abs=1e-9)


def test_small_turn_is_scipys_rotation() -> None:
    # Second order: the cube of the angle over 6.
    assert np.abs(small_turn(MISSED) - Rotation.from_rotvec(MISSED).as_matrix()).max() < np.linalg.norm(MISSED) ** 3 / 6
