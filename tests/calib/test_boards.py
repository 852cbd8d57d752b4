"""Boards: expected values are the definition of the board, counted by hand."""

import numpy as np
import pytest

from calib.boards import parse_board
from flow.errors import DataError


def test_points_run_along_the_columns_first():
    board = parse_board("chessboard:9x6:0.025")
    points = board.points_m
    assert points.shape == (54, 3)
    np.testing.assert_allclose(points[[0, 1, 9, 53]], [[0, 0, 0], [0.025, 0, 0], [0, 0.025, 0], [0.2, 0.125, 0]])
    np.testing.assert_allclose(board.outline_m, [[0, 0], [0.2, 0], [0.2, 0.125], [0, 0.125]])


@pytest.mark.parametrize(
    ("text", "grid"),
    [("chessboard:9x6:0.025", (9, 6)), ("circles:7x5:2e-2", (7, 5)), ("charuco:8x5:0.03", (7, 4))],
)
def test_charuco_counts_squares_and_the_others_count_points(text, grid):
    board = parse_board(text)
    assert board.grid == grid
    assert parse_board(str(board)) == board


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("chessboard", "KIND:COLSxROWS:SIZE"),
        ("chessboard:9x6", "KIND:COLSxROWS:SIZE"),
        ("chessboard:9x6:2.5.1", "KIND:COLSxROWS:SIZE"),
        ("chessboard:9X6:0.025", "KIND:COLSxROWS:SIZE"),
        ("chessbord:9x6:0.025", "no board known here"),
        ("chessboard:2x6:0.025", "at least 3 x 3"),
        ("charuco:3x5:0.025", "at least 4 x 4"),
        ("chessboard:9x6:25", "metres"),
        ("chessboard:9x6:0", "metres"),
        ("chessboard:9x6:-0.025", "metres"),
        ("circles:99x99:0.01", "1500 points"),
    ],
)
def test_what_is_no_board_is_refused_in_one_line(text, says):
    with pytest.raises(DataError, match=says) as caught:
        parse_board(text)
    assert "\n" not in str(caught.value)
    assert caught.value.key == "board"
