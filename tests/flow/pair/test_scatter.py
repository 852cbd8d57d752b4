"""What a picture shares with none of its matches shows in time: Monte-Carlo with known truth."""

from __future__ import annotations

import numpy as np
import pytest

from flow.pair.inertial_window import ROWS, InertialWindows, WindowRow
from flow.pair.scatter import CommonScatter, ScatterRow, grown

MATCH_SIGMA = 0.002  # m/s
GYRO_SIGMA = 0.001
PER_PX = 0.2  # m/s that move the picture by one pixel in the interval
ROWS_COUNT = 400


def row(
    k: int, velocity: np.ndarray, *, per_px: float = PER_PX, matches: float = MATCH_SIGMA, gyro: float = GYRO_SIGMA,
    force: np.ndarray | None = None, keyframes: int = 0,
) -> ScatterRow:  # fmt: skip
    return ScatterRow(
        time_s=k / 60, velocity_m_s=velocity, R_level_still=np.eye(3), matches_m2_s2=np.full(3, matches**2),
        known_m2_s2=np.full(3, gyro**2), m_s_per_px=per_px, force_m_s=force, keyframes=keyframes,
    )  # fmt: skip


def variance(scatter: CommonScatter, matches: np.ndarray, per_px: float, *, keyframe: bool = False) -> np.ndarray:
    """Variance (3,) of a row by the picture: that of its matches and what they share."""
    return grown(np.diag(matches), scatter.common_px2(keyframe=keyframe), per_px).diagonal()


def found_sigma(
    errors: np.ndarray, motion: np.ndarray, *, per_px: float = PER_PX, force: np.ndarray | None = None
) -> np.ndarray:
    """Sigma (3,) of a row by the picture, after all rows have been heard."""
    scatter = CommonScatter()
    for k, velocity in enumerate(errors + motion):
        scatter.add(row(k, velocity, per_px=per_px, force=None if force is None else force[k]))
    return np.sqrt(variance(scatter, np.full(3, MATCH_SIGMA**2), per_px))


def rows(kind: str, sigma: float, seed: int) -> np.ndarray:
    """Errors of rows with a known sigma by the picture, and white gyro noise on top."""
    rng = np.random.default_rng(seed)
    if kind == "white":
        picture = rng.normal(0, sigma, (ROWS_COUNT, 3))
    else:  # differences of independent position errors
        picture = np.diff(rng.normal(0, sigma / np.sqrt(2), (ROWS_COUNT + 1, 3)), axis=0)
    return picture + rng.normal(0, GYRO_SIGMA, (ROWS_COUNT, 3))


STILL = np.zeros((ROWS_COUNT, 3))
DRIFT = np.arange(ROWS_COUNT)[:, None] / 60 * [9.8, -0.4, 0.3]  # gravity and bias of an accelerometer
ROUGH = 0.5 * np.sin(np.arange(ROWS_COUNT)[:, None] * [1.1, 0.6, 0.3])  # no third difference could tell it from noise
SWAY = 0.3 * np.sin(2 * np.pi * 2 * np.arange(ROWS_COUNT) / 60)[:, None] * [1.0, 0.7, 0.2]  # 2 Hz at 60 rows/s


@pytest.mark.parametrize("kind", ["white", "position"])
@pytest.mark.parametrize("times", [1.5, 3.0, 8.0])
def test_a_known_sigma_is_recovered(kind: str, times: float) -> None:
    # Monte-Carlo over 12 logs and 3 axes. Closed form: a third difference of differences of positions has 35 times the variance
    # of a row, one of every second row 20 times, as for independent rows; the larger of two estimates counts. That of
    # white rows is so read off every second row alone. 9 %: 180 overlapping differences know a sigma to 12 %, the larger of two
    # of them is 4 % too large, 24 independent ones (level axes are pooled) their mean to 2.5 %.
    true = times * MATCH_SIGMA
    sigma = np.sqrt(np.mean([found_sigma(rows(kind, true, seed), STILL) ** 2 for seed in range(12)]))
    assert sigma == pytest.approx(true, rel=0.09)


@pytest.mark.parametrize("kind", ["white", "position"])
@pytest.mark.parametrize("times", [1.5, 3.0, 8.0])
def test_the_force_tells_a_known_sigma(kind: str, times: float) -> None:
    # Closed form: residuals of a straight line through n rows have (n - 2) / n of the variance of independent rows, and next
    # to all of it where rows are differences of positions (their mean over n rows nearly vanishes). 3 %: 17 independent windows
    # of 400 rows, 44 degrees of freedom each, 12 logs: 0.8 % of chance; differences are 2 / n, 4 % of a sigma, too large at most.
    true = times * MATCH_SIGMA
    sigma = np.sqrt(np.mean([found_sigma(rows(kind, true, s), ROUGH + DRIFT, force=ROUGH)[:2] ** 2 for s in range(12)]))
    assert sigma == pytest.approx(true * (1.0 if kind == "white" else 1 + 1 / ROWS), rel=0.03)


def test_a_hand_that_shakes_is_no_noise_of_the_picture() -> None:
    # Closed form: a sine of w leaves (2 sin(w k T / 2))^3 of itself in third differences k rows apart. A hand's 30 mm/s at 5 Hz,
    # 60 rows/s: 4.2 mm/s by neighbours (0.7 after their gain), 27 mm/s by every second row (6.0), five times what it is here.
    shaking = 0.03 * np.sin(2 * np.pi * 5 * np.arange(ROWS_COUNT) / 60)[:, None] * [1.0, 1.0, 0.0]
    for seed in range(5):
        errors = rows("position", 1.5 * MATCH_SIGMA, seed)
        still, shaken = found_sigma(errors, STILL), found_sigma(errors, shaking)
        assert (shaken[:2] < 1.5 * still[:2]).all()


def test_images_that_are_coded_alone_are_told_from_a_hand_that_shakes() -> None:
    # Closed form, as above: 30 mm/s at 8 Hz leave 11.4 mm/s RMS in third differences of neighbours, 1.9 after their gain, and of
    # every second row, less what those of every third let expect, 12. Independent images need no more than neighbours.
    shaking = 0.03 * np.sin(2 * np.pi * 8 * np.arange(ROWS_COUNT) / 60)[:, None] * [1.0, 1.0, 0.0]
    true, found = 1.5 * MATCH_SIGMA, []
    for seed in range(12):
        scatter = CommonScatter()
        for k, velocity in enumerate(rows("position", true, seed) + shaking):
            scatter.add(row(k, velocity, keyframes=2))
        found.append(variance(scatter, np.full(3, MATCH_SIGMA**2), PER_PX)[:2])
    assert np.sqrt(np.mean(found)) == pytest.approx(np.hypot(true, 1.9e-3), rel=0.09)


def test_noise_of_the_force_is_not_put_down_to_the_picture() -> None:
    # Closed form: a random walk of unit steps leaves (n + 2) / 15 about its own line. Here as much as the rows' own.
    rng, sigma, walk = np.random.default_rng(3), 0.004, 0.0235
    found, step = [], 1 / 60
    for _ in range(20):
        windows = InertialWindows()
        force = np.cumsum(rng.normal(0, walk * np.sqrt(step), (ROWS * 10, 3)), axis=0)
        for k, error in enumerate(rng.normal(0, sigma, (ROWS * 10, 3)) + force):
            windows.add(
                WindowRow(
                    time_s=k * step, velocity_m_s=error, force_m_s=np.zeros(3), R_level_still=np.eye(3), matches_m2_s2=np.zeros(3),
                    known_m2_s2=np.zeros(3), m_s_per_px=1.0, force_m_s_rts=walk,
                )
            )  # fmt: skip
        found.append(windows.common_px2()[0])
    # 12 %: 200 windows of two axes, of whose sum a half is taken out again.
    assert np.mean(found) == pytest.approx(sigma**2, rel=0.12)


def test_a_window_must_span_many_times_what_an_error_lasts() -> None:
    # Closed form: an error that lasts (a Gauss-Markov process) is a straight line within a window that is not much longer, and
    # is none over one that spans it eight times. Baselines of 16 pairs: every row in turn, or a fifth of a baseline apart.
    rng, kept, sigma = np.random.default_rng(5), np.exp(-1 / 8), 0.01
    found = []
    for apart in (1, 3):
        windows, error = InertialWindows(), np.zeros(3)
        for k in range(ROWS * 80):
            error = kept * error + rng.normal(0, sigma * np.sqrt(1 - kept**2), 3)
            if k % apart == 0:
                windows.add(
                    WindowRow(
                        time_s=k / 60, velocity_m_s=error.copy(), force_m_s=np.zeros(3), R_level_still=np.eye(3),
                        matches_m2_s2=np.zeros(3), known_m2_s2=np.zeros(3), m_s_per_px=1.0,
                    )
                )  # fmt: skip
        found.append(float(np.sqrt(windows.common_px2()[0])) / sigma)
    assert found[0] < 0.75 < 0.85 < found[1] < 1.1


def test_rows_with_a_keyframe_keep_their_own_sigma() -> None:
    # Every 30th row errs five times as much: those alone are told so, by the mean of squares of 13 of them, two axes each
    # (20 % of chance in the sigma of a log, 6 % over ten).
    found = []
    for seed in range(10):
        scatter, errors = CommonScatter(), rows("white", 3 * MATCH_SIGMA, seed)
        keyframe = np.arange(ROWS_COUNT) % 30 == 15
        errors[keyframe] *= 5
        for k, error in enumerate(errors):
            scatter.add(row(k, error + DRIFT[k], force=DRIFT[k], keyframes=int(keyframe[k])))
        matches = np.full(3, MATCH_SIGMA**2)
        found.append([variance(scatter, matches, PER_PX, keyframe=each)[0] for each in (False, True)])
    usual, keyed = np.sqrt(np.mean(found, axis=0))
    assert keyed == pytest.approx(15 * MATCH_SIGMA, rel=0.15)
    assert usual < 6 * MATCH_SIGMA


def test_what_passes_through_the_view_is_forgotten() -> None:
    # An edge shifts the speed by 0.3 m/s, fifty sigmas, from one row to the next: while it is in the windows a row's sigma grows
    # threefold at most (a window counts up to nine times the median), and it is none of it 204 rows later.
    errors = rows("position", 3 * MATCH_SIGMA, 6)
    during, after = errors.copy(), errors.copy()
    during[380:] += 0.3
    after[150:] += 0.3
    usual = found_sigma(errors, STILL, force=STILL)
    assert (found_sigma(during, STILL, force=STILL) < 3 * usual).all()
    np.testing.assert_allclose(found_sigma(after, STILL, force=STILL), usual, rtol=0.15)


@pytest.mark.parametrize("kind", ["white", "position"])
def test_a_single_log_is_never_far_off(kind: str) -> None:
    # The same for each log alone: between 0.65 and 1.5 of the truth, 12 % of chance on top of the bias above.
    for seed in range(20):
        sigma = found_sigma(rows(kind, 3 * MATCH_SIGMA, seed), STILL)
        assert (sigma / (3 * MATCH_SIGMA) > 0.6).all() and (sigma / (3 * MATCH_SIGMA) < 1.6).all()


def test_gyro_noise_is_not_put_down_to_the_picture() -> None:
    # Closed form: white noise of the gyro three times the picture's own is known and taken out again. 30 %: what is
    # left is a small difference of two variances, each known to 5 % over 12 logs and 3 axes.
    rng, found = np.random.default_rng(9), []
    for seed in range(12):
        scatter = CommonScatter()
        errors = rows("position", 3 * MATCH_SIGMA, seed) + rng.normal(0, 9 * MATCH_SIGMA, (ROWS_COUNT, 3))
        for k, velocity in enumerate(errors):
            scatter.add(row(k, velocity, gyro=float(np.hypot(9 * MATCH_SIGMA, GYRO_SIGMA))))
        found.append(variance(scatter, np.full(3, MATCH_SIGMA**2), PER_PX))
    sigma = np.sqrt(np.mean(found))
    assert sigma == pytest.approx(3 * MATCH_SIGMA, rel=0.4)


def test_smooth_motion_is_no_scatter() -> None:
    # Closed form: 0.3 m/s at 2 Hz leaves 0.3 (2 sin(w h / 2))^3 / sqrt(2) = 1.9 mm/s rms in a third difference, against
    # 35 mm/s by rows of 6 mm/s: nothing. Of every second row it leaves 15 mm/s against 27: 9 % of the sigma over two axes and
    # some chance, since the larger estimate counts. An accelerometer takes all of it out.
    for seed in range(5):
        errors = rows("position", 3 * MATCH_SIGMA, seed)
        np.testing.assert_allclose(found_sigma(errors, SWAY), found_sigma(errors, STILL), rtol=0.16)
        by_force = found_sigma(errors, SWAY, force=SWAY)
        np.testing.assert_allclose(by_force, found_sigma(errors, STILL, force=STILL), rtol=0.02)


def test_rough_motion_widens_rather_than_narrows() -> None:
    # The mutation of the test above: 10 m/s^2 of shaking at 15 Hz cannot be told from scatter; then wide is
    # right.
    shake = 0.1 * np.sin(2 * np.pi * 15 * np.arange(ROWS_COUNT) / 60)[:, None] * np.ones(3)
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
    for k, velocity in enumerate(rows("position", 0.02, 3)):
        scatter.add(row(k, velocity, matches=1e-6))
    low, high = (np.sqrt(variance(scatter, np.full(3, 1e-12), unit)) for unit in (PER_PX, 2 * PER_PX))
    np.testing.assert_allclose(high, 2 * low, rtol=1e-6)


def test_a_jump_between_runs_is_no_scatter() -> None:
    # After an interruption the next row starts afresh: a jump of 2 m/s there must not show.
    told, untold = CommonScatter(), CommonScatter()
    errors = rows("position", MATCH_SIGMA, 4)
    by_matches = np.full(3, MATCH_SIGMA**2)
    for k, error in enumerate(errors):
        velocity = error + 2.0 * (k // 5 % 2)
        for scatter in (told, untold):
            if k % 5 == 0 and scatter is told:
                scatter.interrupt()
            scatter.add(row(k, velocity, gyro=0.0))
    assert (variance(told, by_matches, PER_PX) < (3 * MATCH_SIGMA) ** 2).all()
    assert (variance(untold, by_matches, PER_PX) > (20 * MATCH_SIGMA) ** 2).all()


def test_one_bump_does_not_rule() -> None:
    # A single row off by 1 m/s (a person through the view) is an event: the sigma stays within half as much
    # again.
    errors = rows("position", 3 * MATCH_SIGMA, 6)
    bumped = errors.copy()
    bumped[300] += 1.0
    assert (found_sigma(bumped, STILL) < 1.5 * found_sigma(errors, STILL)).all()


def test_before_anything_is_known_there_is_a_belief() -> None:
    # A fresh log vouches for some hundredths of a pixel, never for its matches alone.
    sigma = np.sqrt(variance(CommonScatter(), np.full(3, 1e-12), 1.0))
    assert (sigma > 0.003).all() and (sigma < 0.05).all()
