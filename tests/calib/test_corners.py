"""Points of a board in one picture, against where the picture was drawn to have them."""

import cv2
import numpy as np
import pytest

from calib.boards import parse_board
from calib.corners import CornerFinder, NoCorners, grid_in_view, seen_mirrored, window_name
from tests.calib.board_scenes import PINHOLE, Renderer, project, random_pose

CHESSBOARD = parse_board("chessboard:9x6:0.025")
CHARUCO = parse_board("charuco:8x6:0.03")


@pytest.fixture(scope="module")
def renderer():
    return Renderer("pinhole", PINHOLE)


def flat_chessboard(square_px, shape, left, top, columns=10, rows=7):
    """Squares with edges between pixels: corners at (left + i square - 0.5, top + j square - 0.5) exactly."""
    picture = np.full(shape, 205, np.uint8)
    y, x = np.mgrid[: rows * square_px, : columns * square_px] // square_px
    picture[top : top + rows * square_px, left : left + columns * square_px] = np.where((x + y) % 2, 205, 40)
    return cv2.GaussianBlur(picture, (0, 0), 0.8)


def offsets(found, expected):
    """Distance from each point to the nearest expected one."""
    return np.linalg.norm(found[:, None] - expected[None], axis=-1).min(axis=1)


@pytest.mark.parametrize(("square", "shape"), [(40, (480, 640)), (150, (1500, 2000))])
def test_corners_of_a_flat_board_to_a_hundredth_of_a_pixel(square, shape):
    # The larger picture is searched at 1280 px and refined at full size.
    left, top = 3 * square // 2, square
    found = CornerFinder(CHESSBOARD).find(flat_chessboard(square, shape, left, top))
    x, y = np.meshgrid(left + square * np.arange(1, 10) - 0.5, top + square * np.arange(1, 7) - 0.5)
    expected = np.column_stack([x.ravel(), y.ravel()])
    for half in (3, 5, 7, 11):
        corners = found[window_name(half)]
        # Noise-free saddle points: only the 8-bit rounding is left.
        assert offsets(corners.pixels, expected).max() < 0.01
        assert offsets(expected, corners.pixels).max() < 0.01
        np.testing.assert_array_equal(corners.ids, np.arange(54))


def test_points_come_in_the_order_of_the_board():
    pixels = CornerFinder(CHESSBOARD).find(flat_chessboard(40, (480, 640), 100, 60))[window_name(5)].pixels
    along = np.linalg.norm(np.diff(pixels.reshape(6, 9, 2), axis=1), axis=-1)
    across = np.linalg.norm(np.diff(pixels.reshape(6, 9, 2), axis=0), axis=-1)
    np.testing.assert_allclose(along, 40, atol=0.02)
    np.testing.assert_allclose(across, 40, atol=0.02)


@pytest.mark.parametrize("light", [0.5, 1.0])
def test_disc_centroids(light):
    # Discs drawn by area, 8 x 8 samples a pixel, at fractions of a pixel. Their centroid is their centre.
    rng = np.random.default_rng(1)
    x, y = np.meshgrid(100 + 60.0 * np.arange(7), 90 + 60.0 * np.arange(5))
    centres = np.column_stack([x.ravel(), y.ravel()]) + rng.uniform(-0.5, 0.5, (35, 2))
    picture = np.full((480, 640), 205.0)
    y, x = (np.mgrid[: 50 * 8, : 50 * 8] + 0.5) / 8 - 0.5
    for centre in centres:
        left, top = (centre - 25).astype(int)
        inside = np.hypot(x + left - centre[0], y + top - centre[1]) < 15
        picture[top : top + 50, left : left + 50] -= 165 * inside.reshape(50, 8, 50, 8).mean(axis=(1, 3))
    picture = np.rint(cv2.GaussianBlur(picture, (0, 0), 0.8) * light).astype(np.uint8)
    found = CornerFinder(parse_board("circles:7x5:0.03")).find(picture)
    # 700 pixels of disc, rounded to a grey level of 165: far below a hundredth; the thresholded blob is
    # worse.
    assert offsets(found["centroid"].pixels, centres).max() < 0.01
    assert offsets(found["blob"].pixels, centres).max() < 0.2


def test_blobs_of_a_large_picture():
    # Searched at half size: whole blobs are good to a tenth of a half-size pixel, and half a pixel of confusion
    # between corner and centre of a pixel would show as 0.5 px.
    x, y = np.meshgrid(400 + 240.0 * np.arange(7), 360 + 240.0 * np.arange(5))
    centres = np.column_stack([x.ravel(), y.ravel()])
    picture = np.full((1920, 2560), 205, np.uint8)
    for centre in centres:
        cv2.circle(picture, tuple(centre.astype(int).tolist()), 60, 40, -1)
    found = CornerFinder(parse_board("circles:7x5:0.03")).find(cv2.GaussianBlur(picture, (0, 0), 1.5))
    assert offsets(found["blob"].pixels, centres).max() < 0.25
    assert offsets(found["centroid"].pixels, centres).max() < 0.02


def test_a_partly_hidden_charuco_names_its_corners_right(renderer):
    rng = np.random.default_rng(2)
    pose = random_pose(rng, CHARUCO, "pinhole", PINHOLE, tilt_deg=(10, 30), distance=(0.4, 0.5))
    picture = renderer.render(CHARUCO, pose, rng, hide=lambda xy: xy[:, 0] > 0.1)
    corners = CornerFinder(CHARUCO).find(picture)[window_name(2)]
    expected = project(CHARUCO.points_m, pose, "pinhole", PINHOLE)
    assert 8 <= len(corners.ids) < 30
    assert (CHARUCO.points_m[corners.ids, 0] <= 0.1).all()
    # Names are right if every corner is far nearer to its own point than to the next, 25 px away.
    assert np.linalg.norm(corners.pixels - expected[corners.ids], axis=1).max() < 1.0
    assert not seen_mirrored(picture, CHARUCO)
    assert seen_mirrored(np.ascontiguousarray(picture[:, ::-1]), CHARUCO)
    assert isinstance(CornerFinder(CHARUCO).find(np.ascontiguousarray(picture[:, ::-1])), NoCorners)


def test_a_charuco_of_another_dictionary_is_found():
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_250)
    drawn = cv2.aruco.CharucoBoard((8, 6), 1.0, 0.7, dictionary).generateImage((560, 420), marginSize=10)
    picture = cv2.copyMakeBorder(drawn, 30, 30, 40, 40, cv2.BORDER_CONSTANT, value=255)
    assert len(CornerFinder(CHARUCO).find(picture)[window_name(2)].ids) == 35


@pytest.mark.parametrize("first_square_marked", [False, True])
def test_either_layout_of_a_charuco_is_found(first_square_marked):
    # Flat, 40 pixels a square, drawn by OpenCV: corners lie between pixels, as in the chessboard above.
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    board = cv2.aruco.CharucoBoard((8, 6), 1.0, 0.75, dictionary)
    board.setLegacyPattern(first_square_marked)
    drawn = board.generateImage((320, 240), marginSize=0)
    picture = cv2.copyMakeBorder(drawn, 40, 40, 40, 40, cv2.BORDER_CONSTANT, value=255)
    picture = cv2.GaussianBlur((40 + picture * 0.65).astype(np.uint8), (0, 0), 0.8)
    found = CornerFinder(CHARUCO).find(picture)[window_name(7)]
    assert len(found.ids) == 35
    expected = np.column_stack([found.ids % 7, found.ids // 7]) * 40 + 79.5
    assert np.linalg.norm(found.pixels - expected, axis=1).max() < 0.03


def test_markers_do_not_pull_at_the_corners(renderer):
    # Tilted boards: the marker's nearest corner is an eighth of a square, 4 px, from the board's, and nearer on one
    # side than on the other. With 2 grey levels of noise the window of 7 px is good to 0.03 px on a chessboard.
    rng = np.random.default_rng(3)
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 100, 1e-4)
    ours, left_in = [], []
    for _ in range(4):
        pose = random_pose(rng, CHARUCO, "pinhole", PINHOLE, tilt_deg=(25, 40), distance=(0.4, 0.45))
        picture = renderer.render(CHARUCO, pose, rng)
        corners = CornerFinder(CHARUCO).find(picture)[window_name(7)]
        expected = project(CHARUCO.points_m, pose, "pinhole", PINHOLE)[corners.ids]
        ours.append(corners.pixels - expected)
        seed = np.array(expected[:, None], np.float32)
        left_in.append(cv2.cornerSubPix(picture, seed, (7, 7), (-1, -1), stop)[:, 0] - expected)
    painted, left = (np.sqrt(np.mean(np.concatenate(errors) ** 2)) for errors in (ours, left_in))
    assert painted < 0.055
    assert left > 1.5 * painted


def test_the_board_in_view_is_named():
    picture = flat_chessboard(40, (480, 640), 100, 60)
    assert grid_in_view([picture]) == (9, 6)
    assert grid_in_view([picture, np.full((480, 640), 90, np.uint8)]) is None
    assert grid_in_view([np.full((480, 640), 90, np.uint8)]) is None
    assert isinstance(CornerFinder(parse_board("chessboard:10x6:0.02")).find(picture), NoCorners)
