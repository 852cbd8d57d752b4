"""Other methods: each must find what there is to find, or the comparison would be with a straw man."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage.registration import phase_cross_correlation

from flow.benchmark.rivals import OURS, RIVALS, PhaseCorrelation, make_motion
from flow.tracks import Matches
from tests.streams import HEIGHT, WIDTH, Picture, ShiftedGround, faded, photograph

GRAVEL = ShiftedGround(faded(photograph("gravel")))
METHODS = sorted(RIVALS)
# px: what each may be off on photographs shifted exactly, several times what was measured (5 to 60 mpx); a wrong sign,
# swapped axes or a start that is not added back miss by more than a pixel.
MOST_OFF_PX = {
    "feature_tracks": 0.01,
    "phase_correlation": 0.1,
    "dense_flow": 0.1,
    "ecc": 0.05,
    "feature_homography": 0.1,
}


def stay(points: np.ndarray) -> np.ndarray:
    return points


def matched(method: str, first: Picture, second: Picture, *, far: bool, predict=stay) -> Matches:
    motion = make_motion(method, first.shape[1], first.shape[0])
    assert motion is not None
    return motion.match(first, second, predict, far=far)


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("shift", [(0.0, 0.0), (2.3, -1.4), (-0.4, 0.7)])
def test_the_mean_match_is_the_shift(method: str, shift: tuple[float, float]) -> None:
    found = matched(method, GRAVEL(0, 0), GRAVEL(*shift), far=False)
    assert len(found) >= 24
    moved = np.median(found.second_px - found.first_px, axis=0)
    np.testing.assert_allclose(moved, shift, atol=MOST_OFF_PX[method])


@pytest.mark.parametrize("method", METHODS)
def test_a_good_prediction_carries_far(method: str) -> None:
    # Exact truth: 40 px away, predicted to half a pixel; beyond what a block, a pyramid of two levels or the gate of
    # 8 px reach on their own.
    found = matched(
        method, GRAVEL(0, -20), GRAVEL(0, 20), far=False, predict=lambda points: points + np.array([0.5, 39.7])
    )
    moved = np.median(found.second_px - found.first_px, axis=0)
    np.testing.assert_allclose(moved, [0, 40], atol=MOST_OFF_PX[method])


@pytest.mark.parametrize("method", METHODS)
def test_without_history_the_motion_is_found_all_the_same(method: str) -> None:
    found = matched(method, GRAVEL(0, 0), GRAVEL(-9.2, 21.3), far=True)
    moved = np.median(found.second_px - found.first_px, axis=0)
    np.testing.assert_allclose(moved, [-9.2, 21.3], atol=MOST_OFF_PX[method])


@pytest.mark.parametrize("method", METHODS)
def test_noise_alone_is_no_ground(method: str) -> None:
    rng = np.random.default_rng(3)
    bare = [np.clip(np.rint(118 + rng.normal(0, 1.5, (HEIGHT, WIDTH))), 0, 255).astype(np.uint8) for _ in range(2)]
    assert len(matched(method, *bare, far=False)) < 12  # the fewest that make a row


@pytest.mark.parametrize("method", METHODS)
def test_predictions_that_do_not_exist_make_no_match(method: str) -> None:
    nowhere = matched(method, GRAVEL(0, 0), GRAVEL(1, 1), far=False, predict=lambda p: np.full_like(p, np.nan))
    assert np.isfinite(nowhere.second_px).all()
    if method in ("phase_correlation", "ecc", "feature_homography"):
        assert len(nowhere) == 0


def test_a_change_of_size_is_seen_where_the_model_allows_it() -> None:
    # Exact truth: the picture grows by 2 % about (0, 0), as in a descent; the ends of a flow differ by 6 px.
    picture = GRAVEL(0, 0)
    grown = cv2.warpAffine(picture, np.array([[1.02, 0, 0], [0, 1.02, 0]]), (WIDTH, HEIGHT), flags=cv2.INTER_CUBIC)
    for method in METHODS:
        found = matched(method, picture, grown, far=True)
        slope = np.polyfit(found.first_px[:, 0], (found.second_px - found.first_px)[:, 0], 1)[0]
        # Phase correlation takes each block as moving rigidly: it is the one that may be 10 % off.
        assert slope == pytest.approx(0.02, rel=0.1), method


@pytest.mark.parametrize("shift", [(0.3, -0.2), (1.6, 0.9), (-2.25, 3.4)])
def test_phase_correlation_is_scikit_images(shift: tuple[float, float]) -> None:
    """scikit-image's ``phase_cross_correlation`` (Guizar-Sicairos 2008), same blocks and window, steps of 0.01 px."""
    first, second = GRAVEL(0, 0), GRAVEL(*shift)
    found = matched("phase_correlation", first, second, far=False)
    window = cv2.createHanningWindow((64, 64), cv2.CV_32F)
    for begin, end in list(zip(found.first_px, found.second_px, strict=True))[::9]:
        x, y = (begin - 31.5).astype(int)
        blocks = [picture[y : y + 64, x : x + 64].astype(float) for picture in (first, second)]
        moving, fixed = ((block - block.mean()) * window for block in reversed(blocks))
        back = phase_cross_correlation(fixed, moving, upsample_factor=100, normalization="phase")[0]
        # It says how to shift the second onto the first, rows first. Two ways to interpolate the same peak: the
        # window's noise under it leaves them up to a tenth of a pixel apart.
        np.testing.assert_allclose(end - begin, -back[::-1], atol=0.1)


def test_an_opencv_without_the_iterative_kind_still_works(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(cv2, "phaseCorrelateIterative", raising=False)
    found = PhaseCorrelation(WIDTH, HEIGHT).match(GRAVEL(0, 0), GRAVEL(2.3, -1.4), stay, far=False)
    moved = np.median(found.second_px - found.first_px, axis=0)
    np.testing.assert_allclose(
        moved, [2.3, -1.4], atol=0.5
    )  # its centroid of 5 x 5 leans to whole pixels, by 0.3 px here


def test_names() -> None:
    assert make_motion(OURS, WIDTH, HEIGHT) is None
    with pytest.raises(KeyError):
        make_motion("guess", WIDTH, HEIGHT)
