"""What matches scatter by, learnt from how they miss."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from flow.pair.match_noise import MatchNoise, speak_of_one_motion
from flow.tracks import Matches

COUNT = 300


def matches_of(rng: np.random.Generator) -> Matches:
    """Make matches whose covariances lie any way, a hundred times apart."""
    root = rng.normal(size=(COUNT, 2, 2)) * 10 ** rng.uniform(-2.5, -1.5, (COUNT, 1, 1))
    places = rng.uniform(0, 300, (COUNT, 2))
    covariance = root @ root.transpose(0, 2, 1) + 1e-5 * np.eye(2)
    return Matches(first_px=places, second_px=places, covariance_px2=covariance, offered=COUNT)


def test_gain_and_floor_are_those_the_misses_were_made_with() -> None:
    # Exact truth: misses drawn from 2 x their own covariance + 0.02 px squared, each along its own axes. 60 pairs of which
    # 20 count, of 600 directions each: the medians tell the variance of the finer half to 2 % and the slope to 5 %; four of
    # that, and the median of a mixed half is not quite its mean.
    rng = np.random.default_rng(1)
    noise, used = MatchNoise(), np.ones(COUNT, bool)
    used[::7] = False
    for _ in range(60):
        matches = matches_of(rng)
        root = np.linalg.cholesky(2.0 * matches.covariance_px2 + 0.02**2 * np.eye(2))
        miss = np.einsum("nij,nj->ni", root, rng.normal(size=(COUNT, 2)))
        miss[~used] = 100.0  # what does not agree tells nothing
        noise.learn(matches, used, miss, 1.0)
    assert noise.gain == pytest.approx(2.0, rel=0.2)
    assert noise.floor_px2 == pytest.approx(0.02**2, rel=0.2)


def test_matches_speak_of_one_motion_where_most_agree_closely() -> None:
    # Closed form: residuals of 0.85 px along either axis are the most (sqrt(2 ln 2) of it is the median radius) ...
    rng = np.random.default_rng(2)
    used, still = np.arange(COUNT) % 3 > 0, np.zeros((COUNT, 2))
    for sigma_px, close in ((0.7, True), (1.0, False)):
        residual = rng.normal(0, sigma_px, (COUNT, 2))
        assert speak_of_one_motion(used, residual, still) is close
        assert not speak_of_one_motion(np.arange(COUNT) % 3 == 0, residual, still)


@pytest.mark.parametrize(("along_px", "across_px", "close"), [(2.0, 0.5, True), (0.5, 2.0, False), (3.4, 0.5, False)])
def test_relief_is_allowed_along_the_motion_alone(along_px: float, across_px: float, close: bool) -> None:
    # ... and along a translational motion of 40 px what a relief of 5 % adds, sqrt(0.85^2 + 2^2) = 2.17 px. The median of
    # x^2 / a^2 + y^2 / b^2 with sigmas (2.0, 0.5) is 0.78, with (0.5, 2.0) 2.57, with (3.4, 0.5) 1.54 (drawn): limit 2 ln 2.
    rng = np.random.default_rng(3)
    direction = np.array([0.6, -0.8])
    along, across = rng.normal(0, along_px, COUNT), rng.normal(0, across_px, COUNT)
    residual = along[:, None] * direction + across[:, None] * np.array([0.8, 0.6])
    moved = np.tile(40 * direction, (COUNT, 1))
    assert speak_of_one_motion(np.ones(COUNT, bool), residual, moved) is close


def test_a_wrong_guess_is_told_by_what_is_lost_and_by_its_noise() -> None:
    # By construction: half of the places with texture and twice the usual noise are the limits.
    rng, noise, used = np.random.default_rng(4), MatchNoise(), np.ones(COUNT, bool)
    usual = replace(matches_of(rng), noise_levels=2.0)
    assert noise.explains(usual, used)  # nothing is usual yet
    noise.learn(usual, used, rng.normal(0, 0.05, (COUNT, 2)), 1.0)
    assert noise.explains(replace(usual, noise_levels=3.9), used)
    assert not noise.explains(replace(usual, noise_levels=4.1), used)
    assert noise.explains(replace(usual, lost=COUNT - 1), used)
    assert not noise.explains(replace(usual, lost=COUNT + 1), used)
