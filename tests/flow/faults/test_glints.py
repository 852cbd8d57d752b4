"""Glints are filled, what lies on the ground is left alone. Truth is by construction."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from flow.faults.glints import GlintFilter, spots_of

SHAPE = (120, 160)


def ground(seed: int = 1) -> np.ndarray:
    return cv2.GaussianBlur(np.random.default_rng(seed).uniform(20, 220, SHAPE).astype(np.float32), (0, 0), 1.5)


def with_spots(grey: np.ndarray, places: np.ndarray) -> np.ndarray:
    spots = np.zeros_like(grey)
    spots[places[:, 0], places[:, 1]] = 1
    return np.clip(np.rint(grey + 4000 * cv2.GaussianBlur(spots, (0, 0), 1.2)), 0, 255).astype(np.uint8)


def places(count: int, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return np.column_stack([rng.integers(10, size - 10, count) for size in SHAPE])


@pytest.mark.parametrize("count", [12, 60])
def test_spots_at_new_places_are_filled_and_nothing_else_is_touched(count: int) -> None:
    pictures = [with_spots(ground(), places(count, seed)) for seed in (2, 3)]
    plain = np.rint(ground())
    for picture, filled in zip(pictures, GlintFilter().pair(*pictures), strict=True):
        spots = spots_of(picture)
        assert spots is not None
        np.testing.assert_array_equal(filled[spots == 0], picture[spots == 0])
        # Of what a glint adds nothing is left: outside the halo it is below a grey level (4.1 sigma of its blur away from
        # saturation: 4000 / (2 pi 1.44) exp(-8.4) = 0.1), and the fill is a mean of such pixels.
        assert np.abs(picture.astype(float) - plain)[spots == 0].max() <= 1
        assert filled[spots == 1].max() < 200 < picture[spots == 1].max()


def test_even_ground_is_filled_exactly() -> None:
    level = np.full(SHAPE, 117, np.float32)
    filled = GlintFilter().pair(*[with_spots(level, places(40, seed)) for seed in (2, 3)])
    for picture in filled:
        np.testing.assert_allclose(picture, 117, atol=1)  # a mean of what is 117, and of halo rests below half a level


def test_pebbles_that_move_with_the_ground_stay() -> None:
    at = places(60, 2)
    first, second = with_spots(ground(), at), with_spots(np.roll(ground(), (7, -4), (0, 1)), at + np.array([7, -4]))
    assert spots_of(first) is not None
    given = GlintFilter().pair(first, second)
    assert given[0] is first and given[1] is second


def test_overexposed_ground_and_plain_pictures_stay() -> None:
    # Bright ground has as many pixels just below full scale as at it.
    plain = np.rint(ground()).astype(np.uint8)
    bright = np.clip(np.rint(1.9 * ground()), 0, 255).astype(np.uint8)
    assert (bright == 255).any()
    for first, second in (
        (plain, np.roll(plain, 3, 1)),
        (bright, np.roll(bright, 3, 1)),
        (bright, np.roll(plain, 3, 1)),
    ):
        given = GlintFilter().pair(first, second)
        assert given[0] is first and given[1] is second


def test_one_large_spot_is_no_glint() -> None:
    sun = np.clip(ground() + 255 * cv2.circle(np.zeros(SHAPE, np.float32), (60, 50), 25, 1, -1), 0, 255).astype(
        np.uint8
    )
    assert spots_of(sun) is None
