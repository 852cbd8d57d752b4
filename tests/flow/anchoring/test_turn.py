"""What the gyro misses, against closed forms and against made-up pictures of a turning camera."""

from __future__ import annotations

import numpy as np
import pytest

from flow.anchoring.turn import _BIAS, _MISSED, Turn
from flow.module import Gyro

NOISE, BIAS, SLOPE = 1.2e-4, 2e-4, 8e-3
DOWN = np.array([0.0, 0.0, 1.0])
GYRO = Gyro.model_validate({"noise_rad_s_rthz": NOISE, "sigma": {"bias_rad_s": [BIAS] * 3}})


def test_uncertainty_grows_as_noise_and_bias_say() -> None:
    # Closed form: variance of the angle N^2 t + (b t)^2; the bias wanders next to nothing in 4 s.
    turn = Turn(GYRO, 0.0, SLOPE)
    for k in range(1, 401):
        turn.advance(k / 100, np.eye(3))
    expected = NOISE**2 * 4 + (BIAS * 4) ** 2
    assert np.diag(turn.true_rad2)[:3] == pytest.approx([expected] * 3, rel=0.01)


def taught(turn: Turn, seen: np.ndarray, noise: float) -> None:
    """Let a picture tell the turn (3,), to ``noise`` rad, and nothing of the slope."""
    information = np.diag([noise**-2] * 3 + [0.0] * 2)
    turn.absorb(information, information @ np.concatenate([seen, np.zeros(2)]))


def test_a_bias_adds_up_over_anchors() -> None:
    # Closed form as above, over eight anchors of half a second: what each has missed by the bias is the same in all of them,
    # (b t)^2 and not eight times (b t / 8)^2. Tilted: down is along another axis of the camera after each.
    turn = Turn(GYRO, 0.0, SLOPE)
    for anchor in range(8):
        for k in range(1, 51):
            turn.advance(0.5 * anchor + k / 100, np.eye(3))
        if anchor < 7:
            turn = Turn(GYRO, 0.5 * (anchor + 1), SLOPE, (turn, DOWN))
    assert turn.heading_rad2(DOWN) == pytest.approx(NOISE**2 * 4 + (BIAS * 4) ** 2, rel=0.01)
    # And a picture that tells the bias tells what the headings before have missed: signed.
    taught(turn, np.array([0.0, 0.0, 1e-4]), 1e-6)
    missed = turn.missed_rad(DOWN)[2]
    share = (BIAS * 0.5) ** 2 / ((BIAS * 0.5) ** 2 + NOISE**2 * 0.5)  # of this anchor's turn that is the bias's
    assert missed == pytest.approx(1e-4 + 7 * share * 1e-4, rel=0.05)


def test_pictures_teach_the_bias() -> None:
    # Exact truth: a bias of 0.3 mrad/s about z, pictures that tell the turn to 0.1 mrad, anchors of 2 s for 20 s. What is
    # left of the bias is what 0.1 mrad over some seconds allows.
    rng = np.random.default_rng(3)
    bias, noise = np.array([0.0, 0.0, 3e-4]), 1e-4
    turn: Turn | None = None
    for anchor in range(10):
        begin = 2.0 * anchor
        turn = Turn(GYRO, begin, SLOPE, None if turn is None else (turn, DOWN))
        for k in range(1, 51):
            time_s = begin + k / 25
            turn.advance(time_s, np.eye(3))
            taught(turn, bias * (time_s - begin) + rng.normal(0, noise, 3), noise)
    assert turn is not None
    learnt, sigma = turn._state[_BIAS], np.sqrt(np.diag(turn._covariance)[_BIAS])
    assert sigma.max() < 0.25 * BIAS
    assert (np.abs(learnt - bias) < 3.5 * sigma).all()
    assert learnt[2] > 0.8 * bias[2]  # signed: it is the turn that the gyro has missed


def test_what_the_anchors_own_picture_has_stays() -> None:
    # Closed form: a gyro that tells nothing, 200 pictures of 1e-4 rad each, and an anchor's own error of 1e-4: the former
    # average away, a two-hundredth of the variance, the latter does not. Signed: seen is what has turned and the anchor's.
    noise, turn = 1e-4, Turn(GYRO, 0.0, SLOPE)
    turn.doubt_anchor(noise**2 * np.eye(3))
    turn._covariance[_MISSED, _MISSED] = np.eye(3)  # a constant turn that nobody knows
    turn._noise = 0.0
    for k in range(1, 201):
        turn.advance(k / 10, np.zeros((3, 3)))
        taught(turn, np.array([0.0, 0.0, 2e-3]), noise)
    assert np.sqrt(np.diag(turn.true_rad2)[:3]) == pytest.approx([np.sqrt(1 + 1 / 200) * noise] * 3, rel=1e-3)
    assert turn.seen_rad[:3] == pytest.approx([0.0, 0.0, 2e-3], abs=1e-6)
    assert turn.true_rad[:3] == pytest.approx([0.0, 0.0, 2e-3], abs=1e-6)


def test_an_anchors_error_is_not_taken_for_a_turn() -> None:
    # A gyro that misses little, pictures that look turned by 1 mrad from the first moment on: that is the anchor's.
    turn = Turn(GYRO, 0.0, SLOPE)
    turn.doubt_anchor(1e-6 * np.eye(3))
    for k in range(1, 26):
        turn.advance(k / 25, np.eye(3))
        taught(turn, np.array([0.0, 0.0, 1e-3]), 1e-4)
    assert turn.seen_rad[2] == pytest.approx(1e-3, rel=0.1)
    assert abs(turn.true_rad[2]) < 1e-4


def test_a_picture_that_tells_part_of_it() -> None:
    # Independent: the same in covariance form (Joseph 1964), the information of rank two of five.
    rng = np.random.default_rng(4)
    turn = Turn(GYRO, 0.0, SLOPE)
    turn.doubt_anchor(1e-8 * np.eye(3))
    turn.advance(0.5, np.eye(3))
    rows, seen, noise = rng.normal(size=(2, 5)), rng.normal(size=2) * 1e-4, 1e-4
    prior, mean = turn.seen_rad2, turn.seen_rad
    gain = prior @ rows.T @ np.linalg.inv(rows @ prior @ rows.T + noise**2 * np.eye(2))
    turn.absorb(rows.T @ rows / noise**2, rows.T @ seen / noise**2)
    assert turn.seen_rad == pytest.approx(mean + gain @ (seen - rows @ mean), rel=1e-6)
    assert turn.seen_rad2 == pytest.approx(prior - gain @ rows @ prior, rel=1e-6, abs=1e-16)
