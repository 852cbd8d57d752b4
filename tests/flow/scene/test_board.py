"""Board pictures against closed forms, OpenCV's projection and OpenCV's detectors."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from flow.errors import DataError
from flow.module import Camera, Module, read_module
from flow.scene import BoardView, Sheet, render_views, write_views
from flow.scene.board import AROUND_LEVELS, INK_LEVELS, PAPER_LEVELS, BoardRenderer, varied_pose
from tests.flow.scene.grounds import pinhole

CAMERAS = {
    "pinhole": Camera(
        width_px=320, height_px=240, fx_px=265, fy_px=266, cx_px=161, cy_px=118, distortion=(-0.2, 0.05, 1e-3, -1e-3, 0)
    ),
    "fisheye": Camera(
        model="fisheye", width_px=320, height_px=240, fx_px=160, fy_px=161, cx_px=158, cy_px=121,
        distortion=(0.02, -0.01, 0.003, -0.001),
    ),
}  # fmt: skip
CHESS = Sheet(kind="chessboard", columns=8, rows=5, size_m=0.025)


def projected(camera: Camera, sheet: Sheet, view: BoardView) -> NDArray[np.float64]:
    """OpenCV's projection of the board's points."""
    turn, at, points = view.R_camera_board.as_rotvec(), view.origin_m, sheet.points_m[:, None]
    if camera.model == "fisheye":
        found = cv2.fisheye.projectPoints(points, turn, at, camera.matrix, camera.distortion_terms)[0]
    else:
        found = cv2.projectPoints(points, turn, at, camera.matrix, camera.distortion_terms)[0]
    return np.asarray(found).reshape(-1, 2)


def test_a_frontal_board_has_its_edges_where_they_belong() -> None:
    # 12 px a square; the origin 0.5 px right of and 2/3 px below the centre of pixel (60, 50).
    camera = pinhole(200, 160, 300)
    depth = 300 * 0.025 / 12
    origin = np.array([(60.5 - 99.5) / 300, (50 + 2 / 3 - 79.5) / 300, 1.0]) * depth
    picture = BoardRenderer(camera, CHESS, blur_px=0).picture(Rotation.identity(), origin)
    # Left above the origin is black, right above it white, and the column of pixel 60 is black up to 60.5: all black.
    assert picture[45, 58:63] == pytest.approx([INK_LEVELS] * 3 + [PAPER_LEVELS] * 2, abs=0.01)
    # Row 51 spans 50.5 to 51.5: a sixth of it is above the edge at 50.667.
    mixed = INK_LEVELS + 5 / 6 * (PAPER_LEVELS - INK_LEVELS)
    assert picture[49:53, 57] == pytest.approx([INK_LEVELS, INK_LEVELS, mixed, PAPER_LEVELS], abs=0.01)
    # Sheet: (columns + 3) / 2 squares each way from the middle; beyond it lies the surrounding.
    left = 60.5 + 12 * (3.5 - 5.5)
    row = picture[50]
    assert row[int(left) + 2] == pytest.approx(PAPER_LEVELS, abs=0.01)
    assert row[int(left) - 2] == pytest.approx(AROUND_LEVELS, abs=0.01)


@pytest.mark.parametrize("lens", CAMERAS)
def test_corners_are_where_opencv_projects_them(lens: str) -> None:
    camera = CAMERAS[lens]
    errors = []
    for view in render_views(camera, CHESS, count=4, noise_levels=0, blur_px=0.6, seed=2):
        expected = projected(camera, CHESS, view)
        refined = cv2.cornerSubPix(
            view.picture, expected[:, None].astype(np.float32, order="C"), (3, 3), (-1, -1),
            (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 50, 1e-4),
        ).reshape(-1, 2)  # fmt: skip
        errors.append(refined - expected)
    error = np.concatenate(errors)
    # The refiner itself is good for some hundredths of a pixel on squares as small as these; no common shift.
    assert np.sqrt(np.mean(error**2)) < 0.1
    assert np.abs(np.median(error, axis=0)).max() < 0.02


def test_discs_are_centred_on_their_points() -> None:
    sheet = Sheet(kind="circles", columns=5, rows=4, size_m=0.03)
    camera = pinhole(320, 240, 400)
    origin = np.array([-0.061, -0.043, 0.5])
    picture = BoardRenderer(camera, sheet).picture(Rotation.identity(), origin)
    ink = (PAPER_LEVELS - picture.astype(float)) / (PAPER_LEVELS - INK_LEVELS)
    for x, y, _ in sheet.points_m + origin:
        u, v = 159.5 + 400 * x / 0.5, 119.5 + 400 * y / 0.5
        cut = (slice(round(v) - 11, round(v) + 12), slice(round(u) - 11, round(u) + 12))
        rows, columns = np.mgrid[cut]
        disc = ink[cut]
        # Frontal discs of 6 px radius; edges are placed to a sixth of a pixel and average over the circle.
        assert disc.sum() == pytest.approx(np.pi * 6**2, rel=0.01)
        assert [(disc * columns).sum() / disc.sum(), (disc * rows).sum() / disc.sum()] == pytest.approx(
            [u, v], abs=0.03
        )


def test_opencv_reads_the_charuco_markers() -> None:
    sheet = Sheet(kind="charuco", columns=7, rows=5, size_m=0.03)
    camera = pinhole(640, 480, 560)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    detector = cv2.aruco.CharucoDetector(cv2.aruco.CharucoBoard((7, 5), 0.03, 0.0225, dictionary))
    for view in render_views(camera, sheet, count=2, noise_levels=1, seed=4):
        corners, ids, _, _ = detector.detectBoard(view.picture)
        assert len(ids) > 0.8 * 24
        # A mix-up of corners is tens of pixels; the detector is good for a fraction of one.
        error = np.asarray(corners).reshape(-1, 2) - projected(camera, sheet, view)[np.asarray(ids).ravel()]
        assert np.abs(error).max() < 0.5


@pytest.mark.parametrize("lens", CAMERAS)
def test_views_vary_and_show_the_whole_board(lens: str) -> None:
    camera = CAMERAS[lens]
    rng = np.random.default_rng(1)
    middles, tilts = [], []
    for _ in range(14):
        turn, origin = varied_pose(camera, CHESS, rng)
        view = BoardView(picture=np.zeros((240, 320), np.uint8), R_camera_board=turn, origin_m=origin)
        pixels = projected(camera, CHESS, view)
        assert (pixels > 0).all()
        assert (pixels < [319, 239]).all()
        middles.append(pixels.mean(axis=0))
        tilts.append(np.degrees(np.arccos(view.R_camera_board.as_matrix()[2, 2])))
    spread = np.ptp(middles, axis=0)
    assert (spread > [90, 50]).all()
    assert np.ptp(tilts) > 20


def test_files_repeat_and_name_their_truth(tmp_path: Path) -> None:
    module = Module(name="bench", camera=CAMERAS["pinhole"])
    for name in ("one", "two"):
        write_views(tmp_path / name, module, CHESS, count=3, seed=6)
    files = sorted(path.name for path in (tmp_path / "one").iterdir())
    assert files == ["module.yaml", "view-00.png", "view-01.png", "view-02.png", "views.csv"]
    for name in files:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes(), name
    views = render_views(module.camera, CHESS, count=3, seed=6)
    table = pd.read_csv(tmp_path / "one" / "views.csv")
    turns = table[["turn_x_rad", "turn_y_rad", "turn_z_rad"]].to_numpy()
    np.testing.assert_allclose(turns, [view.R_camera_board.as_rotvec() for view in views], atol=1e-9)
    np.testing.assert_allclose(table[["x_m", "y_m", "z_m"]], [view.origin_m for view in views], atol=1e-9)
    read = cv2.imread(str(tmp_path / "one" / "view-02.png"), cv2.IMREAD_UNCHANGED)
    np.testing.assert_array_equal(read, views[2].picture)
    assert read_module(tmp_path / "one" / "module.yaml").camera == module.camera
    with pytest.raises(DataError, match="--force"):
        write_views(tmp_path / "one", module, CHESS, count=1)
    write_views(tmp_path / "one", module, CHESS, count=1, force=True)
    assert not (tmp_path / "one" / "view-01.png").exists()


def test_a_board_too_large_for_any_dictionary() -> None:
    with pytest.raises(DataError, match="markers"):
        render_views(pinhole(64, 48, 50), Sheet(kind="charuco", columns=60, rows=60, size_m=0.01), count=1)
