"""What a picture shares with none of its matches shows in time: Monte-Carlo with known truth."""

from __future__ import annotations

import numpy as np
import pytest

from flow.pair.scatter import CommonScatter

MATCH_SIGMA = 0.002  # m/s
GYRO_SIGMA = 0.001
PER_PX = 0.2  # m/s that move the picture by one pixel in the interval
ROWS = 400


def found_sigma(errors: np.ndarray, motion: np.ndarray, *, per_px: float = PER_PX) -> np.ndarray:
    """Sigma (3,) of a row by the picture, after all rows have been heard."""
    scatter = CommonScatter()
    for velocity in errors + motion:
        scatter.add(velocity, np.full(3, MATCH_SIGMA**2), np.full(3, GYRO_SIGMA**2), per_px)
    return np.sqrt(scatter.variance(np.full(3, MATCH_SIGMA**2), per_px))


def rows(kind: str, sigma: float, seed: int) -> np.ndarray:
    """Errors of rows with a known sigma by the picture, and white gyro noise on top."""
    rng = np.random.default_rng(seed)
    if kind == "white":
        picture = rng.normal(0, sigma, (ROWS, 3))
    else:  # differences of independent position errors
        picture = np.diff(rng.normal(0, sigma / np.sqrt(2), (ROWS + 1, 3)), axis=0)
    return picture + rng.normal(0, GYRO_SIGMA, (ROWS, 3))


STILL = np.zeros((ROWS, 3))
SWAY = 0.3 * np.sin(2 * np.pi * 2 * np.arange(ROWS) / 60)[:, None] * [1.0, 0.7, 0.2]  # 2 Hz at 60 rows/s


@pytest.mark.parametrize(("kind", "bias"), [("white", np.sqrt(20 / 28)), ("position", np.sqrt(35 / 28))])
@pytest.mark.parametrize("times", [1.5, 3.0, 8.0])
def test_a_known_sigma_is_recovered(kind: str, bias: float, times: float) -> None:
    # Monte-Carlo over 30 logs and 3 axes. Closed form: a third difference has 20 times the variance of
    # independent rows and 35 times that of rows that are differences of positions; 28 is taken for both,
    # hence the bias of each kind. 6 %: 180 overlapping differences know a sigma to 12 %, 90 of them their
    # mean to 1.5 %; the first belief and the cut of outliers are worth 2 %.
    true = times * MATCH_SIGMA
    sigma = np.sqrt(np.mean([found_sigma(rows(kind, true, seed), STILL) ** 2 for seed in range(30)]))
    assert sigma == pytest.approx(bias * true, rel=0.06)


@pytest.mark.parametrize("kind", ["white", "position"])
def test_a_single_log_is_never_far_off(kind: str) -> None:
    # The same for each log alone: between 0.65 and 1.5 of the truth, 12 % of chance on top of the bias above.
    for seed in range(20):
        sigma = found_sigma(rows(kind, 3 * MATCH_SIGMA, seed), STILL)
        assert (sigma / (3 * MATCH_SIGMA) > 0.6).all() and (sigma / (3 * MATCH_SIGMA) < 1.6).all()


def test_gyro_noise_is_not_put_down_to_the_picture() -> None:
    # Closed form: white noise of the gyro three times the picture's own is known and taken out again. 30 %: what is
    # left is a small difference of two variances, each known to 3 % over 30 logs and 3 axes.
    rng, found = np.random.default_rng(9), []
    for seed in range(30):
        scatter = CommonScatter()
        errors = rows("position", 3 * MATCH_SIGMA, seed) + rng.normal(0, 9 * MATCH_SIGMA, (ROWS, 3))
        by_gyro = np.full(3, (9 * MATCH_SIGMA) ** 2 + GYRO_SIGMA**2)
        for velocity in errors:
            scatter.add(velocity, np.full(3, MATCH_SIGMA**2), by_gyro, PER_PX)
        found.append(scatter.variance(np.full(3, MATCH_SIGMA**2), PER_PX))
    sigma = np.sqrt(np.mean(found))
    assert sigma == pytest.approx(np.sqrt(35 / 28) * 3 * MATCH_SIGMA, rel=0.3)


def test_smooth_motion_is_no_scatter() -> None:
    # Closed form: 0.3 m/s at 2 Hz leaves 0.3 (2 sin(w h / 2))^3 / sqrt(2) = 1.9 mm/s rms in a third
    # difference, against 32 mm/s by rows of 6 mm/s: a hundredth of a per cent of variance, here 2 %.
    for seed in range(5):
        errors = rows("position", 3 * MATCH_SIGMA, seed)
        np.testing.assert_allclose(found_sigma(errors, SWAY), found_sigma(errors, STILL), rtol=0.02)


def test_rough_motion_widens_rather_than_narrows() -> None:
    # The mutation of the test above: 10 m/s^2 of shaking at 15 Hz cannot be told from scatter; then wide is
    # right.
    shake = 0.1 * np.sin(2 * np.pi * 15 * np.arange(ROWS) / 60)[:, None] * np.ones(3)
    errors = rows("position", MATCH_SIGMA, 0)
    assert (found_sigma(errors, shake) > 5 * found_sigma(errors, STILL)).all()


def test_matches_that_claim_too_much_scatter_are_believed_in_part() -> None:
    # A log smoother than its matches' scatter: the variance may shrink, but neither to nothing nor below
    # zero.
    sigma = found_sigma(rows("position", 0.1 * MATCH_SIGMA, 1), STILL)
    assert (sigma > 0.5 * MATCH_SIGMA).all() and (sigma <= MATCH_SIGMA * 1.2).all()


def test_scatter_is_kept_in_pixels() -> None:
    # Closed form: the same picture error from twice the height is twice the speed error.
    scatter = CommonScatter()
    for velocity in rows("position", 0.02, 3):
        scatter.add(velocity, np.full(3, 1e-12), np.full(3, GYRO_SIGMA**2), PER_PX)
    low, high = (np.sqrt(scatter.variance(np.full(3, 1e-12), unit)) for unit in (PER_PX, 2 * PER_PX))
    np.testing.assert_allclose(high, 2 * low, rtol=1e-6)


def test_a_jump_between_runs_is_no_scatter() -> None:
    # After an interruption the next row starts afresh: a jump of 2 m/s there must not show.
    told, untold = CommonScatter(), CommonScatter()
    errors = rows("position", MATCH_SIGMA, 4)
    variance = np.full(3, MATCH_SIGMA**2)
    for k, error in enumerate(errors):
        velocity = error + 2.0 * (k // 5 % 2)
        for scatter in (told, untold):
            if k % 5 == 0 and scatter is told:
                scatter.interrupt()
            scatter.add(velocity, variance, variance * 0, PER_PX)
    assert (told.variance(variance, PER_PX) < (3 * MATCH_SIGMA) ** 2).all()
    assert (untold.variance(variance, PER_PX) > (20 * MATCH_SIGMA) ** 2).all()


def test_one_bump_does_not_rule() -> None:
    # A single row off by 1 m/s (a person through the view) is an event: the sigma stays within half as much
    # again.
    errors = rows("position", 3 * MATCH_SIGMA, 6)
    bumped = errors.copy()
    bumped[300] += 1.0
    assert (found_sigma(bumped, STILL) < 1.5 * found_sigma(errors, STILL)).all()


def test_before_anything_is_known_there_is_a_belief() -> None:
    # A fresh log vouches for some hundredths of a pixel, never for its matches alone.
    sigma = np.sqrt(CommonScatter().variance(np.zeros(3), 1.0))
    assert (sigma > 0.003).all() and (sigma < 0.05).all()
