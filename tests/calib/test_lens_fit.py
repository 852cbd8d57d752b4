"""The fit against a known lens.

Truth: views projected by OpenCV (``projectPoints``, ``fisheye.projectPoints``) from a lens and poses that the
fit is not told. Also against OpenCV's own calibration of the same points, an independent solver of the same
least squares.
"""

import cv2
import numpy as np
import pytest

from calib.boards import parse_board
from calib.bundle import View
from calib.lens_fit import fit_lens, held_out, rms, view_residuals
from tests.calib.board_scenes import FISHEYE, PINHOLE, SIZE, project, random_pose

BOARD = parse_board("chessboard:9x6:0.025")
LENSES = {"pinhole": PINHOLE, "fisheye": FISHEYE}


def make_views(rng, model, count, noise_px, points=BOARD.points_m):
    lens = LENSES[model]
    out = []
    for _ in range(count):
        pixels = project(points, random_pose(rng, BOARD, model, lens), model, lens)
        out.append(View(points_m=BOARD.points_m, pixels=pixels + rng.normal(0, noise_px, pixels.shape)))
    return out


@pytest.mark.parametrize("model", ["pinhole", "fisheye"])
def test_perfect_views_give_the_lens_back(model):
    # No noise: only rounding is left, amplified by the conditioning of k3 (about 1e6).
    fit = fit_lens(make_views(np.random.default_rng(1), model, 8, 0.0), SIZE, model)
    np.testing.assert_allclose(fit.parameters[:4], LENSES[model][:4], atol=1e-5)
    np.testing.assert_allclose(fit.parameters[4:], LENSES[model][4:], atol=1e-6)
    assert fit.converged


@pytest.mark.parametrize("model", ["pinhole", "fisheye"])
def test_focal_length_is_within_a_twentieth_of_a_percent(model):
    # 40 views with 0.03 px of noise, what the rendered boards show: sigma is 0.02 %, so 0.05 % is 2.5 sigma.
    fit = fit_lens(make_views(np.random.default_rng(2), model, 40, 0.03), SIZE, model)
    np.testing.assert_allclose(fit.parameters[:2], LENSES[model][:2], rtol=5e-4)
    # Residual of 2 N - P - 6 V degrees of freedom: 0.03 sqrt(2) less 3 %, known to 1 % from 4320 numbers.
    assert fit.rms_px == pytest.approx(0.03 * np.sqrt(2 * (1 - (len(fit.parameters) + 240) / 4320)), rel=0.05)


@pytest.mark.parametrize("model", ["pinhole", "fisheye"])
def test_sigma_holds_95_percent_of_the_errors(model):
    # 50 sets x 8 or 9 parameters, all errors over their sigma. The parameters of a set err together, so the
    # count is worth about 50 x 4 independent ones: 95 % +- 1.5 % one-sigma; the limits are 3 sigma.
    z = []
    for seed in range(50):
        fit = fit_lens(make_views(np.random.default_rng(100 + seed), model, 12, 0.1), SIZE, model)
        z.append((fit.parameters - LENSES[model]) / fit.sigma)
    assert 0.905 <= np.mean(np.abs(z) < 1.96) <= 0.995
    # And the spread itself, so that sigmas many times too wide do not pass: 200 numbers give it to 5 %.
    assert 0.8 < np.sqrt(np.mean(np.square(z))) < 1.2


def test_sigma_stays_honest_when_boards_bend():
    # Every view's board is bowed by its own 0.3 mm or so. Corners of a view then err together, which the
    # scatter of single corners does not show: without the widening a third of the errors lie outside 1.96
    # sigma.
    z, wider = [], []
    middle = BOARD.points_m.mean(axis=0)
    for seed in range(50):
        rng = np.random.default_rng(500 + seed)
        views = []
        for _ in range(15):
            bow = rng.normal(0, 0.3e-3) * ((BOARD.points_m[:, 0] - middle[0]) / 0.1) ** 2
            bent = BOARD.points_m + np.column_stack([0 * bow, 0 * bow, bow])
            views += make_views(rng, "pinhole", 1, 0.05, bent)
        fit = fit_lens(views, SIZE, "pinhole")
        z.append((fit.parameters - PINHOLE) / fit.sigma)
        wider.append(fit.view_disagreement)
    assert np.median(wider) > 1.5
    assert np.mean(np.abs(z) < 1.96) > 0.88
    assert np.mean(np.abs(np.array(z) * np.array(wider)[:, None]) < 1.96) < 0.85


def test_agrees_with_opencv_on_the_same_points():
    views = make_views(np.random.default_rng(3), "pinhole", 12, 0.2)
    fit = fit_lens(views, SIZE, "pinhole")
    rms_px, K, terms, *_ = cv2.calibrateCamera(
        [v.points_m.astype(np.float32) for v in views],
        [v.pixels.astype(np.float32)[:, None] for v in views],
        SIZE,
        None,
        None,
        criteria=(cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 500, 1e-15),
    )
    # Same minimum; OpenCV is given single precision, 3e-5 px, which 0.001 px of focal length covers.
    assert fit.rms_px == pytest.approx(rms_px, abs=1e-5)
    np.testing.assert_allclose(fit.parameters[:4], [K[0, 0], K[1, 1], K[0, 2], K[1, 2]], atol=2e-3)
    np.testing.assert_allclose(fit.parameters[4:], terms.ravel()[:5], atol=2e-4)


def test_square_pixels_hold_one_focal_length():
    fit = fit_lens(make_views(np.random.default_rng(4), "pinhole", 8, 0.05), SIZE, "pinhole", square_pixels=True)
    assert fit.parameters[0] == fit.parameters[1]
    assert fit.sigma[0] == fit.sigma[1] > 0


def test_unseen_views_show_the_noise():
    # Residual of a view under another lens: its noise less the 6 degrees of freedom of its pose, plus the
    # little that the other views' lens is wrong by.
    views = make_views(np.random.default_rng(5), "pinhole", 20, 0.1)
    fit = fit_lens(views, SIZE, "pinhole")
    unseen = rms(held_out(views, SIZE, "pinhole", fit.parameters))
    assert unseen > fit.rms_px
    assert unseen == pytest.approx(0.1 * np.sqrt(2 * (1 - 6 / 108)), rel=0.06)
    # View 3 belongs to the group of 3, 8, 13, 18; without them, and from nothing known, its residual is the same.
    kept = [view for i, view in enumerate(views) if i % 5 != 3]
    alone = view_residuals([views[3]], "pinhole", fit_lens(kept, SIZE, "pinhole").parameters)[0]
    residuals = held_out(views, SIZE, "pinhole", fit.parameters)
    np.testing.assert_allclose(residuals[3], alone, atol=1e-5)
    assert np.abs(fit.residuals[3] - alone).max() > 1e-3
    wrong = fit.parameters * np.array([1.02, 0.98, 1, 1, 1, 1, 1, 1, 1])
    assert (
        rms(view_residuals(views, "pinhole", wrong)) > 3 * unseen
    )  # 4 % between the axes moves corners 100 px off the middle by 2 px


def test_partly_hidden_boards_serve():
    rng = np.random.default_rng(6)
    views = []
    for view in make_views(rng, "pinhole", 12, 0.0):
        kept = rng.permutation(54)[: rng.integers(8, 40)]
        views.append(View(points_m=view.points_m[kept], pixels=view.pixels[kept]))
    fit = fit_lens(views, SIZE, "pinhole")
    np.testing.assert_allclose(fit.parameters[:4], PINHOLE[:4], atol=1e-4)


def test_parallel_boards_leave_the_focal_length_open():
    # Boards square to the camera: one more metre of distance looks like one more pixel of focal length.
    rng = np.random.default_rng(7)
    views = []
    for distance in np.linspace(0.4, 0.8, 8):
        pose = np.array([0, 0, 0, -0.1 + rng.normal(0, 0.02), -0.06, distance])
        pixels = project(BOARD.points_m, pose, "pinhole", PINHOLE)
        views.append(View(points_m=BOARD.points_m, pixels=pixels + rng.normal(0, 0.1, pixels.shape)))
    fit = fit_lens(views, SIZE, "pinhole")
    assert fit.sigma[0] / abs(fit.parameters[0]) > 0.02
