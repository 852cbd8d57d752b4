"""The solver on exact matches: outliers, covariance, sensitivity, and when it must refuse."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy.stats import chi2

from flow.pair.equations import PairGeometry
from flow.pair.geometry import PairView
from flow.pair.velocity import Solution, solve
from flow.tracks import Matches
from tests.flow.pair.test_geometry import VELOCITY, exact_matches, module, recovered, view_of

M = module("pinhole", 0.0)
M = M.model_copy(update={"camera": M.camera.model_copy(update={"distortion": ()})})  # exact to double precision
VIEW: PairView = view_of(M)
MATCHES = exact_matches(M)
TRUTH = solve(VIEW.geometry(MATCHES)[0], None, 1.0, np.random.default_rng(0))


def solved(matches: Matches, guess: np.ndarray | None = None, scale: float = 1.0, seed: int = 0) -> Solution | None:
    pair, _ = VIEW.geometry(matches)
    return solve(pair, guess, scale, np.random.default_rng(seed))


def moved(matches: Matches, by_px: np.ndarray) -> Matches:
    return dataclasses.replace(matches, second_px=matches.second_px + by_px)


def block(side: str, share: float) -> np.ndarray:
    """Mark the given share of the matches, all at one side of the picture."""
    along = {"left": 0, "right": 0, "top": 1, "bottom": 1}[side]
    order = np.argsort(MATCHES.first_px[:, along], kind="stable")
    if side in ("right", "bottom"):
        order = order[::-1]
    marked = np.zeros(len(MATCHES), bool)
    marked[order[: int(share * len(MATCHES))]] = True
    return marked


@pytest.mark.parametrize("side", ["left", "right", "top", "bottom"])
@pytest.mark.parametrize("motion_px", [(8.0, -5.0), (-1.5, 0.0), (0.0, 40.0)])
@pytest.mark.parametrize("guessed", [False, True])
def test_forty_percent_outliers_in_one_block(side: str, motion_px: tuple[float, float], guessed: bool) -> None:
    # Exact synthetic truth: something moves as one body over 40 % of the view. It must be left out entirely,
    # and then the answer is as exact as without it.
    assert TRUTH is not None
    marked = block(side, 0.4)
    guess = TRUTH.velocity_m_s + np.array([0.1, -0.1, 0.05]) if guessed else None
    for seed in range(5):
        solution = solved(moved(MATCHES, marked[:, None] * np.array(motion_px)), guess, seed=seed)
        assert solution is not None
        np.testing.assert_allclose(solution.velocity_m_s, TRUTH.velocity_m_s, atol=1e-6)
        assert not solution.used[marked].any()


def test_scattered_outliers() -> None:
    # Exact synthetic truth; 40 % of the matches anywhere, each off in its own direction by more than a pixel.
    assert TRUTH is not None
    rng = np.random.default_rng(7)
    marked = rng.random(len(MATCHES)) < 0.4
    direction = rng.uniform(0, 2 * np.pi, len(MATCHES))
    off = (
        marked[:, None]
        * np.column_stack([np.cos(direction), np.sin(direction)])
        * rng.uniform(2, 30, (len(MATCHES), 1))
    )
    solution = solved(moved(MATCHES, off))
    assert solution is not None
    np.testing.assert_allclose(solution.velocity_m_s, TRUTH.velocity_m_s, atol=1e-6)
    assert not solution.used[marked].any()


def test_outliers_leave_noisy_matches_alone() -> None:
    # Exact truth plus 0.1 px of noise, as claimed: of the 60 % that belong to the ground Tukey's weight stays
    # above a tenth for all within 3.9 sigma (99.9 % of a radius); with a scale from 44 of them 97 % over 20
    # trials.
    rng, shares = np.random.default_rng(8), []
    marked = block("right", 0.4)
    for seed in range(20):
        noise = rng.normal(0, 0.1, (len(MATCHES), 2))
        solution = solved(moved(MATCHES, noise + marked[:, None] * np.array([6.0, 3.0])), seed=seed)
        assert solution is not None and TRUTH is not None
        assert not solution.used[marked].any()
        shares.append(solution.used[~marked].mean())
        error = solution.velocity_m_s - TRUTH.velocity_m_s
        assert error @ np.linalg.solve(solution.covariance, error) < 25  # chi-square(3): 1e-5 of chance
    assert np.mean(shares) > 0.97


def test_exact_matches_all_agree() -> None:
    np.testing.assert_allclose(recovered(M, VIEW), VELOCITY, atol=1e-6)
    assert TRUTH is not None and TRUTH.used.mean() > 0.9


def noisy_solutions(factor: float, count: int = 300) -> list[Solution]:
    """Monte-Carlo: picture noise with ``factor`` times the claimed standard deviation, anisotropic claims."""
    rng = np.random.default_rng(11)
    spread = rng.uniform(0.05, 0.2, (len(MATCHES), 2))
    turn = rng.uniform(0, np.pi, len(MATCHES))
    R = np.stack([np.stack([np.cos(turn), -np.sin(turn)], 1), np.stack([np.sin(turn), np.cos(turn)], 1)], 1)
    root = R * spread[:, None, :]
    claimed = dataclasses.replace(MATCHES, covariance_px2=root @ root.transpose(0, 2, 1))
    out = []
    for _ in range(count):
        off = factor * (root @ rng.normal(size=(len(MATCHES), 2, 1)))[:, :, 0]
        solution = solved(moved(claimed, off), None if TRUTH is None else TRUTH.velocity_m_s, factor**2)
        assert solution is not None
        out.append(solution)
    return out


@pytest.mark.parametrize("factor", [1.0, 3.0])
def test_covariance_is_that_of_the_solutions(factor: float) -> None:
    # Monte-Carlo, exact truth. The mean squared normalised error over 300 x 3 components lies within the 99.9
    # % bounds of chi-square, widened by 12 %: Tukey's weights lose 5 % of efficiency, the scale is a median
    # of 72 matches.
    assert TRUTH is not None
    solutions = noisy_solutions(factor)
    errors = np.array([s.velocity_m_s - TRUTH.velocity_m_s for s in solutions])
    squares = [e @ np.linalg.solve(s.covariance, e) for e, s in zip(errors, solutions, strict=True)]
    low, high = chi2.ppf([0.001, 0.999], 3 * len(errors)) / (3 * len(errors))
    assert low / 1.12 < np.mean(squares) / 3 < high * 1.12
    # Unbiased, signed: the mean error within 4 of its own sigma.
    mean_sigma = np.sqrt(np.mean([np.diag(s.covariance) for s in solutions], axis=0) / len(errors))
    assert (np.abs(errors.mean(axis=0)) < 4 * mean_sigma).all()


@pytest.mark.parametrize("factor", [1.0, 3.0])
def test_scale_is_the_factor_on_the_claimed_covariance(factor: float) -> None:
    # Monte-Carlo: the median over 300 trials of a median of 72 squared radii; 5 % is 4 of its sigma.
    scale = np.median([s.scale for s in noisy_solutions(factor)])
    assert scale == pytest.approx(factor**2, rel=0.05)


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_pull_is_what_a_common_error_does_to_the_solution(axis: int) -> None:
    # Source: finite differences of the whole solve, all second rays turned by the same small angle about one
    # axis (the field of Longuet-Higgins and Prazdny 1980). A ray that moves on by a little moves the
    # equations' target back by it, hence the sign. The step of 1e-10 rad keeps every weight at one. 2 %: the
    # rows hold the ray too, times what the depth changes by in the interval (0.6 % here, 0.35 m/s x 25 ms in
    # 1.4 m).
    assert TRUTH is not None
    pair, _ = VIEW.geometry(MATCHES)
    x, y = pair.second_ray[:, 0], pair.second_ray[:, 1]
    field = np.array([[x * y, 1 + y * y], [-(1 + x * x), -x * y], [y, -x]][axis]).T
    found = []
    for step in (1e-10, -1e-10):
        ray = pair.second_ray.copy()
        ray[:, :2] += step * field
        solution = solve(dataclasses.replace(pair, second_ray=ray), TRUTH.velocity_m_s, 1.0, np.random.default_rng(0))
        assert solution is not None
        found.append(solution.velocity_m_s)
    slope = (found[0] - found[1]) / 2e-10
    expected = -np.einsum("nij,nj->i", TRUTH.pull, field)
    np.testing.assert_allclose(slope, expected, atol=0.02 * np.linalg.norm(slope))


def part(pair: PairGeometry, keep: np.ndarray) -> PairGeometry:
    per_match = (
        "first_ray",
        "second_ray",
        "first_s",
        "second_s",
        "first_lever_m",
        "second_lever_m",
        "flow",
        "covariance",
    )
    return dataclasses.replace(pair, **{name: getattr(pair, name)[keep] for name in per_match})


def test_matches_that_determine_nothing_are_refused() -> None:
    # One point seen many times fixes two components of velocity, not three.
    pair, _ = VIEW.geometry(MATCHES)
    assert solve(part(pair, np.zeros(20, int)), None, 1.0, np.random.default_rng(0)) is None


def test_no_common_motion_is_not_all_used() -> None:
    # Each match its own way: whatever is found, only a few can agree.
    rng = np.random.default_rng(3)
    solution = solved(moved(MATCHES, rng.uniform(-30, 30, (len(MATCHES), 2))))
    assert solution is None or solution.used.mean() < 0.4 or solution.scale > 400


def test_the_same_input_gives_the_same_answer() -> None:
    first, second = solved(MATCHES, seed=4), solved(MATCHES, seed=4)
    assert first is not None and second is not None
    np.testing.assert_array_equal(first.velocity_m_s, second.velocity_m_s)
