"""Points followed from picture to picture: what is empty for a moment, stands still, or cuts to another scene."""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from calib.turn_pairs import TurnPairs, collect_pairs
from flow.video import Frame, Video

RATE_HZ, COUNT = 30.0, 30
STRIDE = 4  # frames of 1/30 s in 0.13 s
STEP_PX = np.array([1.5, -0.75])  # of the picture, a frame
Picture = NDArray[np.uint8]


@dataclass(frozen=True)
class Frames:
    """As much of a video as is asked for."""

    frames: list[Frame]

    @property
    def times_s(self) -> NDArray[np.float64]:
        """Camera times."""
        return np.array([frame.time_s for frame in self.frames])

    width_px, height_px = 160, 120

    def __iter__(self):
        return iter(self.frames)


def followed(pictures: list[Picture]) -> TurnPairs:
    frames = [Frame(index=k, time_s=k / RATE_HZ, luma=luma, exposure_s=None) for k, luma in enumerate(pictures)]
    return collect_pairs(cast("Video", Frames(frames)))


def ground(seed: int, contrast: float, sigma_px: float = 2.0) -> NDArray[np.float64]:
    grain = cv2.GaussianBlur(np.random.default_rng(seed).normal(size=(300, 400)), (0, 0), sigma_px)
    return 120 + contrast * grain / grain.std()


def sliding(levels: NDArray[np.float64], step_px: NDArray[np.float64], count: int = COUNT) -> list[Picture]:
    """Show the ground as the picture slides over it, by cubic interpolation."""
    made = []
    for k in range(count):
        shift = np.array([[1, 0, 100 + k * step_px[0]], [0, 1, 100 + k * step_px[1]]])
        seen = cv2.warpAffine(levels, shift, (160, 120), flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP)
        made.append(np.clip(np.rint(seen), 0, 255).astype(np.uint8))
    return made


def assert_moved(pairs: TurnPairs, good: NDArray[np.bool_]) -> None:
    moved = np.nanmedian((pairs.second_px - pairs.first_px)[good], axis=1)
    # The tracker is good to some hundredths of a pixel on each of dozens of points.
    np.testing.assert_allclose(moved, np.tile(-STRIDE * STEP_PX, (good.sum(), 1)), atol=0.05)


def touching(pairs: TurnPairs, index: int) -> NDArray[np.bool_]:
    """Mark the pairs (P,) that begin or end with a frame."""
    return np.isclose(pairs.first_s * RATE_HZ, index) | np.isclose(pairs.second_s * RATE_HZ, index)


@pytest.mark.parametrize("empty", [1, 2])
def test_an_empty_picture_voids_the_pairs_that_it_is_in_and_no_other(empty: int) -> None:
    pictures = sliding(ground(1, 30.0), STEP_PX)
    for k in range(15, 15 + empty):
        pictures[k] = np.full((120, 160), 16, np.uint8)
    pairs = followed(pictures)
    void = np.any([touching(pairs, k) for k in range(15, 15 + empty)], axis=0)
    matched = pairs.known.sum(axis=1)
    assert (matched[void] == 0).all()
    assert (matched[~void] > 20).all()
    assert_moved(pairs, ~void)


def test_weak_texture_at_rest_keeps_its_matches() -> None:
    """Sky, water, a bare floor: what stands still in it is no codec's copy just for that."""
    pictures = sliding(ground(2, 5.0, 1.5), np.zeros(2))
    pairs = followed(pictures)
    assert (pairs.known.sum(axis=1) > 20).all()
    np.testing.assert_allclose(np.nanmedian(pairs.second_px - pairs.first_px, axis=1), 0, atol=0.02)


def test_after_a_cut_points_are_followed_again() -> None:
    """What is found across it is chance; within each scene every pair counts."""
    pairs = followed([*sliding(ground(1, 30.0), STEP_PX, 15), *sliding(ground(3, 30.0), STEP_PX, 15)])
    across = (pairs.first_s * RATE_HZ < 14.5) & (pairs.second_s * RATE_HZ > 14.5)
    assert (pairs.known.sum(axis=1)[~across] > 20).all()
    assert_moved(pairs, ~across)
