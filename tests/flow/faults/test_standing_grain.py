"""Grain that stands, by pictures of a known share of it."""

from __future__ import annotations

import numpy as np
import pytest

from flow.faults.standing_grain import StandingGrain

PICTURES = 20


def pictures(share: float, seed: int = 0) -> list[np.ndarray]:
    """Pictures of white grain, a share of whose variance is the same in all."""
    rng = np.random.default_rng(seed)
    stands = rng.normal(0, 12 * np.sqrt(share), (120, 160))
    moves = rng.normal(0, 12 * np.sqrt(1 - share), (PICTURES, 120, 160))
    return list(np.clip(np.rint(128 + stands + moves), 0, 255).astype(np.uint8))


@pytest.mark.parametrize("share", [0.0, 0.1, 0.5])
def test_the_share_is_found(share: float) -> None:
    # Closed form: the mean of n pictures keeps what stands and an n-th of what moves. 9,600 pixels know a variance to 1.4 %.
    grain = StandingGrain()
    for picture in pictures(share):
        grain.add(picture)
    assert grain.share == pytest.approx(share * (1 - 1 / PICTURES), abs=0.02)


def test_the_same_pictures_again_are_no_grain_that_stands() -> None:
    # A second pass sees the frames of the first again: a ground's own grain, heard twice, would be half of it grain that stands.
    grain = StandingGrain()
    for _ in range(3):
        grain = grain.begun_again()
        for picture in pictures(0.0):
            grain.add(picture)
    assert abs(grain.share) < 0.01
    # What comes after is heard. Closed form: the mean holds 1 - 0.95^20 of it by then.
    for picture in pictures(0.5, seed=1):
        grain.add(picture)
    assert grain.share == pytest.approx(0.5 * (1 - 0.95**PICTURES) ** 2, abs=0.02)
