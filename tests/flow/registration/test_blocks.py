"""Blocks against exactly shifted ground; see also ``tests/outside/test_exact_shift.py`` and ``test_bound.py``."""

from __future__ import annotations

import numpy as np
import pytest

from flow.registration.blocks import BlockMatcher
from flow.registration.filters import SMOOTHING_PX
from tests.streams import ShiftedGround, grain

GROUND = ShiftedGround(grain(seed=8))
SHIFT = np.array([0.3, -0.2])


def noisy(picture: np.ndarray, levels: float, seed: int) -> np.ndarray:
    noise = np.random.default_rng(seed).normal(0, levels, picture.shape)
    return np.clip(np.rint(picture + noise), 0, 255).astype(np.uint8)


def test_steps_and_their_covariance() -> None:
    # Exact truth. One step from 0.05 px away; the square miss of 300 blocks in units of their own covariance has the mean
    # 2 of chi-square with two degrees of freedom, times what smoothing takes from the noise beyond what it takes from the
    # slope: ((a^2 + s^2) / (a^2 + 2 s^2))^2 for grain of a = 1.5 px. 300 blocks tell it to 6 %: 15 % is 2.5 sigma.
    first, second = noisy(GROUND(0, 0), 2.0, 1), noisy(GROUND(*SHIFT), 2.0, 2)
    found = BlockMatcher(320, 240).match(first, second, lambda points: points + SHIFT + 0.05)
    miss = found.second_px - found.first_px - SHIFT
    squares = np.einsum("ni,nij,nj->n", miss, np.linalg.inv(found.covariance_px2), miss)
    assert len(found) > 200
    assert np.abs(miss.mean(axis=0)).max() < 0.004
    a2, s2 = 1.5**2, SMOOTHING_PX**2
    assert squares.mean() == pytest.approx(2.0 * ((a2 + s2) / (a2 + 2 * s2)) ** 2, rel=0.15)


def test_a_step_from_the_wrong_side_has_the_other_sign() -> None:
    first, second = GROUND(0, 0), GROUND(*SHIFT)
    matcher = BlockMatcher(320, 240)
    for start in (-0.2, 0.2):
        found = matcher.match(first, second, lambda points, s=start: points + SHIFT + s)
        step = np.median(found.second_px - found.first_px - SHIFT - start, axis=0)
        assert step == pytest.approx([-start, -start], abs=0.03)


def test_a_thinned_matcher_sees_a_quarter_of_the_blocks() -> None:
    # And takes the same steps there: each block's is its own, but for the light.
    first, second = noisy(GROUND(0, 0), 2.0, 1), noisy(GROUND(*SHIFT), 2.0, 2)
    matcher = BlockMatcher(320, 240)
    thin = matcher.thinned()
    assert thin.count == pytest.approx(matcher.count / 4, rel=0.1)
    found, whole = (m.match(first, second, lambda points: points + SHIFT + 0.05) for m in (thin, matcher))
    assert len(found) > 50
    steps = {tuple(start): end - start for start, end in zip(whole.first_px, whole.second_px, strict=True)}
    for start, end in zip(found.first_px, found.second_px, strict=True):
        assert end - start == pytest.approx(steps[tuple(start)], abs=0.005)  # the light is shared with fewer


def test_noise_alone_is_no_texture() -> None:
    # Grey, and noise of 2 and of 6 levels: of 300 blocks hardly one may pass for ground.
    grey = np.full((240, 320), 110.0)
    for levels in (2.0, 6.0):
        matcher = BlockMatcher(320, 240)
        found = matcher.match(noisy(grey, levels, 3), noisy(grey, levels, 4), lambda points: points)
        assert len(found) <= 3


def test_what_a_codec_holds_back_is_told() -> None:
    # The lower half of the second picture is a copy of the first.
    first, second = noisy(GROUND(0, 0), 2.0, 1), noisy(GROUND(*SHIFT), 2.0, 2)
    matcher = BlockMatcher(320, 240)
    assert matcher.match(first, second, lambda points: points + SHIFT).held == 0.0
    second[120:] = first[120:]
    assert matcher.match(first, second, lambda points: points + SHIFT).held == pytest.approx(0.5, abs=0.1)


@pytest.mark.parametrize(("width", "height"), [(64, 48), (160, 120), (320, 240), (641, 479), (1280, 720), (3840, 2160)])
def test_every_picture_size_has_blocks_inside_it(width: int, height: int) -> None:
    matcher = BlockMatcher(width, height)
    corners = matcher._corners
    assert (corners >= 4).all() and (corners + matcher.side_px <= np.array([width, height]) - 4).all()
    assert 4 <= matcher.count <= 500
