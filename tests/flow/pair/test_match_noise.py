"""What matches scatter by, learnt from how they miss."""

from __future__ import annotations

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
    # Closed form: misses of 0.85 px along either axis are the most (sqrt(2 ln 2) of it is the median radius).
    rng = np.random.default_rng(2)
    used = np.arange(COUNT) % 3 > 0
    for sigma_px, close in ((0.7, True), (1.0, False)):
        miss = rng.normal(0, sigma_px, (COUNT, 2))
        assert speak_of_one_motion(used, miss) is close
        assert not speak_of_one_motion(np.arange(COUNT) % 3 == 0, miss)
