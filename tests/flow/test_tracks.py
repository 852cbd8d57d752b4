"""Lucas-Kanade tracks on pictures shifted exactly."""

from __future__ import annotations

import numpy as np
import pytest

from flow.tracks import LucasKanade, Matches
from tests.streams import HEIGHT, WIDTH, Picture, ShiftedGround, faded, grain, photograph

GROUND = ShiftedGround(grain())


def stay(points: np.ndarray) -> np.ndarray:
    return points


def matched(first: Picture, second: Picture, *, far: bool = True, predict=stay) -> Matches:
    return LucasKanade(first.shape[1], first.shape[0]).match(first, second, predict, far=far)


SHIFTS = [(0.0, 0.0), (0.25, 0.0), (-0.1, 0.4), (2.5, -1.3), (-7.2, 5.9), (0.0, 21.3)]


@pytest.mark.parametrize("shift", SHIFTS)
def test_the_mean_track_is_the_shift(shift: tuple[float, float]) -> None:
    # Exact truth: SciPy's Fourier shift of seamless ground. 8 mpx: what bilinear interpolation may leave once
    # the starts are spread over a pixel (unspread 16 to 26 mpx, references in the tracker's docstring).
    moved = matched(GROUND(0, 0), GROUND(*shift))
    assert len(moved) > 150
    np.testing.assert_allclose(np.median(moved.second_px - moved.first_px, axis=0), shift, atol=8e-3)
    # Columns are x: a swapped pair of axes would miss by far more.
    assert abs(shift[0] - shift[1]) < 0.1 or not np.allclose(
        np.median(moved.second_px - moved.first_px, axis=0), shift[::-1], atol=0.1
    )


def test_points_are_spread_over_the_picture() -> None:
    # By design a quota for each cell: of a 4 x 4 division every part has its share, and no point is used
    # twice.
    moved = matched(GROUND(0, 0), GROUND(1, 1))
    column = (moved.first_px[:, 0] * 4 / WIDTH).astype(int)
    row = (moved.first_px[:, 1] * 4 / HEIGHT).astype(int)
    counts = np.bincount(4 * row + column, minlength=16)
    assert counts.min() >= 0.3 * counts.mean()
    distance = np.linalg.norm(moved.first_px[:, None] - moved.first_px, axis=2) + 99 * np.eye(len(moved))
    assert distance.min() > 1


def test_a_good_prediction_replaces_the_pyramid() -> None:
    # Exact truth: 40 px away and predicted to 1 px, two levels suffice; unpredicted they cannot reach that
    # far.
    first, second = GROUND(0, -20), GROUND(0, 20)
    near = matched(first, second, far=False, predict=lambda points: points + np.array([0.5, 39.0]))
    np.testing.assert_allclose(np.median(near.second_px - near.first_px, axis=0), [0, 40], atol=8e-3)
    lost = matched(first, second, far=False)
    assert len(lost) < 12 or abs(np.median(lost.second_px - lost.first_px, axis=0)[1] - 40) > 5


def test_no_point_is_predicted_out_of_the_picture() -> None:
    # A prediction without an answer (NaN) or beyond the border leaves the point out, without a warning.
    def half_gone(points: np.ndarray) -> np.ndarray:
        out = points + np.array([200.0, 0.0])
        out[:5] = np.nan
        return out

    first = GROUND(-100, 0)
    for moved in (matched(first, GROUND(100, 0), predict=half_gone), matched(first, first, predict=lambda p: p + 999)):
        ends = moved.second_px
        assert ((ends >= 0) & (ends <= [WIDTH - 1, HEIGHT - 1])).all()
        assert moved.offered > len(moved)


def test_flat_ground_offers_nothing() -> None:
    # Noise of 2 grey levels is not texture; the mutation: ground of 10 grey levels is.
    rng = np.random.default_rng(0)

    def picture(ground: np.ndarray) -> Picture:
        return np.clip(np.rint(ground + rng.normal(0, 2, ground.shape)), 0, 255).astype(np.uint8)

    flat = matched(picture(np.full((HEIGHT, WIDTH), 120.0)), picture(np.full((HEIGHT, WIDTH), 120.0)))
    assert flat.offered < 20
    faint = ShiftedGround(128 + 0.25 * (grain() - 128))
    assert matched(picture(faint(0, 0)), picture(faint(0, 0))).offered > 100


def test_covariance_covers_the_scatter_under_picture_noise() -> None:
    # Cramer-Rao form at the noise it is written for (2 grey levels): the mean squared normalised error of
    # independent pictures is of the order of 1 an axis. Not above 2 (it would promise too much); down to a
    # tenth, for the floor of 0.03 px is larger than this ground's noise and the scatter of the matches scales
    # it afterwards.
    rng, squares = np.random.default_rng(1), []
    ground = ShiftedGround(faded(photograph("gravel")))
    for shift in [(0.0, 0.0), (0.0, 0.3), (1.2, -0.6)]:
        first, second = ground(0, 0).astype(float), ground(*shift).astype(float)
        noisy = [np.clip(np.rint(p + rng.normal(0, 2, p.shape)), 0, 255).astype(np.uint8) for p in (first, second)]
        moved = matched(noisy[0], noisy[1])
        error = moved.second_px - moved.first_px - shift
        squares.append(np.einsum("ni,nij,nj->n", error, np.linalg.inv(moved.covariance_px2), error) / 2)
    assert 0.1 < np.median(np.concatenate(squares)) / np.log(2) < 2  # median of chi-square(2) over 2 is ln 2


def test_covariance_is_wide_along_an_edge() -> None:
    # Closed form: ground that varies along x only says little about y.
    stripes = 128 + 0.97 * (grain()[256] - 128)[None, :] + 0.15 * (grain(seed=9) - 128)
    ground = ShiftedGround(stripes)
    moved = matched(ground(0, 0), ground(0.5, 0.0))
    assert np.median(moved.covariance_px2[:, 1, 1] / moved.covariance_px2[:, 0, 0]) > 2


def test_a_selection_keeps_rows_together() -> None:
    moved = matched(GROUND(0, 0), GROUND(1, 1))
    good = np.arange(len(moved)) % 2 == 0
    kept = moved.only(good)
    assert len(kept) == good.sum() and kept.offered == moved.offered
    np.testing.assert_array_equal(kept.first_px, moved.first_px[good])
    np.testing.assert_array_equal(kept.second_px, moved.second_px[good])
    np.testing.assert_array_equal(kept.covariance_px2, moved.covariance_px2[good])


@pytest.mark.parametrize("size", [(64, 48), (160, 120), (641, 479)])
def test_any_picture_size_serves(size: tuple[int, int]) -> None:
    # Exact truth as above, on small and odd sizes; few tracks on the smallest, hence 0.05 px.
    ground = ShiftedGround(grain(768), width=size[0], height=size[1])
    moved = matched(ground(0, 0), ground(1.3, -0.7))
    assert len(moved) >= 8
    np.testing.assert_allclose(np.median(moved.second_px - moved.first_px, axis=0), [1.3, -0.7], atol=0.05)
