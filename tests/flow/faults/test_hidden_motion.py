"""Pictures that differ all over although what is matched in them stands still."""

from __future__ import annotations

import cv2
import numpy as np

from flow.faults.hidden_motion import HiddenMotion
from flow.tracks import Matches

GRAIN = cv2.GaussianBlur(np.random.default_rng(1).normal(110, 30, (300, 400)), (0, 0), 1.3)
FEW, MANY = 40, 300


def shown(shift_px: float, *, gain: float = 1.0, noise: float = 1.5, matches: int = FEW, pairs: int = 1) -> bool:
    """Move the ground by so much, and let the matches stand still."""
    rng = np.random.default_rng(2)
    move = np.float64([[1, 0, shift_px], [0, 1, 0]])
    moved = cv2.warpAffine(GRAIN, move, GRAIN.shape[::-1], flags=cv2.INTER_CUBIC)
    first, second = (
        np.clip(np.rint(grey[20:260, 40:360] + rng.normal(0, noise, (240, 320))), 0, 255).astype(np.uint8)
        for grey in (GRAIN, gain * moved)
    )
    places = rng.uniform(20, 200, (matches, 2))
    stand = Matches(
        first_px=places, second_px=places + 0.1, covariance_px2=np.tile(np.eye(2), (matches, 1, 1)), offered=matches
    )
    watch = HiddenMotion()
    verdicts = [watch.shown(first, second, stand, np.ones(matches, bool)) for _ in range(pairs)]
    return any(verdicts)


def test_ground_that_moved_on_is_seen() -> None:
    assert shown(4.0)
    assert shown(8.0, gain=1.3)


def test_ground_that_stands_is_not() -> None:
    # Up to three quarters of a pixel, in other light, and where nothing but noise is seen.
    assert not shown(0.0)
    assert not shown(0.75)
    assert not shown(0.0, gain=1.5)
    assert not shown(0.3, noise=6.0)
    assert not shown(8.0, noise=30.0)


def test_of_many_matches_every_fourth_pair_is_looked_at() -> None:
    assert shown(4.0, matches=MANY, pairs=4)
    assert not shown(0.5, matches=MANY, pairs=9)


def test_matches_that_move_are_the_ground() -> None:
    places = np.random.default_rng(3).uniform(20, 200, (FEW, 2))
    moving = Matches(first_px=places, second_px=places + 4, covariance_px2=np.tile(np.eye(2), (FEW, 1, 1)), offered=FEW)
    one, two = GRAIN[:240, :320].astype(np.uint8), GRAIN[50:290, 50:370].astype(np.uint8)
    assert not HiddenMotion().shown(one, two, moving, np.ones(FEW, bool))
