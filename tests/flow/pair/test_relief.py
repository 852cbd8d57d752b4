"""Two depths in one view: told apart where the matches allow it, and never on level ground."""

from __future__ import annotations

import numpy as np
import pytest

from flow.pair.equations import PairGeometry
from flow.pair.relief import ReliefWatch, relief_error
from flow.pair.velocity import Solution, solve

VELOCITY = np.array([0.2, -0.6, 0.0])
HEIGHT_M, INTERVAL_S, SIGMA = 1.5, 1 / 60, 2e-4  # of a ray: 0.05 px at a focal length of 266 px


def seen(
    share: float, higher_m: float, *, velocity: np.ndarray = VELOCITY, across: bool = False, seed: int = 1
) -> PairGeometry:
    """See 200 points, those in the upper ``share`` of the view on ground ``higher_m`` nearer; exact but for noise.

    ``across`` lets those points move across the direction of travel instead.
    """
    rng = np.random.default_rng(seed)
    first = np.column_stack([rng.uniform(-0.6, 0.6, 200), rng.uniform(-0.45, 0.45, 200), np.ones(200)])
    near = first[:, 1] < -0.45 + 0.9 * share
    depth = np.where(near, HEIGHT_M - higher_m, HEIGHT_M)
    moved = np.tile(velocity * INTERVAL_S, (200, 1))
    if across:
        depth = np.full(200, HEIGHT_M)
        moved[near] = np.array([0.5, 0.3, 0.0]) * INTERVAL_S
    second = first * depth[:, None] - moved
    second /= second[:, 2:]
    second[:, :2] += rng.normal(0, SIGMA, (200, 2))
    none = np.zeros((200, 3))
    return PairGeometry(
        first_ray=first, second_ray=second,
        first_s=np.full(200, -INTERVAL_S / 2), second_s=np.full(200, INTERVAL_S / 2),
        first_lever_m=none, second_lever_m=none, down=np.array([0.0, 0.0, 1.0]), distance_m=HEIGHT_M,
        flow=second[:, :2] - first[:, :2], covariance=np.tile(np.eye(2) * SIGMA**2, (200, 1, 1)),
    )  # fmt: skip


def solved(pair: PairGeometry) -> Solution:
    solution = solve(pair, VELOCITY, 1.0, np.random.default_rng(0))
    assert solution is not None
    return solution


@pytest.mark.parametrize("share", [0.15, 0.3])
@pytest.mark.parametrize("higher_m", [0.3, -0.5])
def test_a_second_depth_is_in_the_band(share: float, higher_m: float) -> None:
    # Closed form: what is at 1.5 m - h passes 1.5 / (1.5 - h) times as fast; the mean square of the error is
    # p (k - 1)^2 v^2. 20 %: which points fall into the share is chance, and noise hides a few.
    pair = seen(share, higher_m)
    effect = relief_error(pair, solved(pair), 1.0)
    assert effect is not None and effect.shape == (3, 1)
    faster = HEIGHT_M / (HEIGHT_M - higher_m)
    np.testing.assert_allclose(effect[:2, 0], np.sqrt(share) * (faster - 1) * VELOCITY[:2], rtol=0.2)


@pytest.mark.parametrize("velocity", [VELOCITY, np.zeros(3)])
def test_level_ground_and_hover_show_none(velocity: np.ndarray) -> None:
    # On level ground there is nothing to see; without motion two depths look alike, and neither is wrong.
    for higher_m in (0.0, 0.3) if not velocity.any() else (0.0,):
        pair = seen(0.3, higher_m, velocity=velocity)
        assert relief_error(pair, solved(pair), 1.0) is None


def test_something_that_moves_by_itself_is_no_relief() -> None:
    pair = seen(0.3, 0.0, across=True)
    assert solved(pair).used.mean() < 0.8
    assert relief_error(pair, solved(pair), 1.0) is None


def test_an_unusual_scatter_leaves_few_independent_matches() -> None:
    # Closed form: at 10 times the usual scatter 60 % of it is beyond 4 times; of N matches 4 count for that part.
    pair = seen(0.0, 0.0)
    solution = solved(pair)
    effect = relief_error(pair, solution, solution.scale / 10)
    assert effect is not None
    np.testing.assert_allclose(effect @ effect.T, solution.covariance * 0.6 * solution.used.sum() / 4, rtol=0.02)
    assert relief_error(pair, solution, solution.scale / 3.9) is None


def test_an_edge_too_low_for_one_pair_shows_in_two() -> None:
    # Closed form: 0.1 m of 1.5 m passes 1.5 / 1.4 times as fast; sqrt(p) (k - 1) v is the error of a row in the mean
    # square. Velocity, climb and slope that are fitted beside the step take up to half of it.
    share, higher_m = 0.2, 0.1
    watch = ReliefWatch()
    for seed in range(20):  # level ground before
        level = seen(0.0, 0.0, seed=seed)
        assert watch.error(level, solved(level), 1.0) is None
    effects = []
    for seed in range(20, 24):
        edge = seen(share, higher_m, seed=seed)
        solution = solved(edge)
        assert relief_error(edge, solution, 1.0) is None
        effects.append(watch.error(edge, solution, 1.0))
    assert effects[0] is None  # once is chance
    for effect in effects[1:]:
        assert effect is not None and effect.shape == (3, 1)
        whole = np.sqrt(share) * abs(HEIGHT_M / (HEIGHT_M - higher_m) - 1) * 0.6
        assert 0.5 * whole < abs(effect[1, 0]) < 1.1 * whole


def test_level_ground_shows_no_edge_for_long() -> None:
    watch = ReliefWatch()
    for seed in range(150):
        pair = seen(0.0, 0.0, seed=seed)
        assert watch.error(pair, solved(pair), 1.0) is None
