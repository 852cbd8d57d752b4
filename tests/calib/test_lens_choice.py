"""Choosing refinement, views and corners, on points whose errors are put in by hand."""

import numpy as np

from calib.boards import parse_board
from calib.corners import Corners
from calib.lens_choice import choose
from calib.views import SeenView
from tests.calib.board_scenes import PINHOLE, SIZE, project, random_pose

BOARD = parse_board("chessboard:9x6:0.025")


def seen(rng, noise_px, count=12):
    """Make views whose corners carry noise of a size by refinement."""
    out = []
    for i in range(count):
        pixels = project(BOARD.points_m, random_pose(rng, BOARD, "pinhole", PINHOLE), "pinhole", PINHOLE)
        found = {
            name: Corners(ids=np.arange(54), pixels=pixels + rng.normal(0, sigma, pixels.shape))
            for name, sigma in noise_px.items()
        }
        out.append(
            SeenView(name=f"{i:02d}", found=found, outline_px=pixels[[0, 8, 53, 45]], edge_width_px=2.0, motion_px=None)
        )
    return out


def test_the_refinement_with_the_smallest_unseen_residual_wins():
    chosen = choose(seen(np.random.default_rng(1), {"a": 0.12, "b": 0.05, "c": 0.2}), BOARD, SIZE, "pinhole")
    assert chosen.refinement == "b"
    assert list(chosen.scores_px) == ["a", "b", "c"]
    # Noise on two axes, less the pose's 6 of 108 degrees of freedom; 1296 numbers give it to 2 %.
    for name, sigma in {"a": 0.12, "b": 0.05, "c": 0.2}.items():
        np.testing.assert_allclose(chosen.scores_px[name], sigma * np.sqrt(2 * (1 - 6 / 108)), rtol=0.1)


def test_one_slipped_corner_is_taken_out_and_the_view_stays():
    views = seen(np.random.default_rng(2), {"a": 0.05})
    views[3].found["a"].pixels[20] += (6.0, 0.0)
    chosen = choose(views, BOARD, SIZE, "pinhole")
    assert chosen.wild_corners == 1
    assert not chosen.left_out
    assert [len(view.pixels) for view in chosen.views] == [54] * 3 + [53] + [54] * 8
    z = (chosen.fit.parameters - PINHOLE) / chosen.fit.sigma
    assert np.abs(z).max() < 3.3


def test_a_bent_board_is_left_out_with_its_numbers():
    views = seen(np.random.default_rng(3), {"a": 0.05})
    views[5].found["a"].pixels[:] += np.array([0.0, 1.5]) * ((np.arange(54) % 9 - 4) / 4.0)[:, None] ** 2
    chosen = choose(views, BOARD, SIZE, "pinhole")
    assert [out.name for out in chosen.left_out] == ["05"]
    assert "those of the other views 0.07" in chosen.left_out[0].reason
    assert "05" not in chosen.names
    assert len(chosen.names) == len(chosen.views) == 11


def test_good_views_are_all_kept():
    # Sharper and softer pictures, by a factor of two, are no reason to leave any out.
    rng = np.random.default_rng(4)
    views = seen(rng, {"a": 0.1})
    for view in views[::2]:
        view.found["a"].pixels[:] += rng.normal(0, 0.1 * np.sqrt(3), (54, 2))
    assert len(choose(views, BOARD, SIZE, "pinhole").views) == 12


def test_a_refinement_that_misses_views_is_compared_on_common_ones():
    views = seen(np.random.default_rng(5), {"a": 0.1, "b": 0.03})
    for i in (2, 7):
        del views[i].found["b"]
    chosen = choose(views, BOARD, SIZE, "pinhole")
    assert chosen.refinement == "b"
    assert {out.name: out.reason for out in chosen.left_out} == dict.fromkeys(("02", "07"), "the b did not find it")
    for i in (1, 3, 4, 6):
        del views[i].found["b"]
    assert choose(views, BOARD, SIZE, "pinhole").refinement == "a"
