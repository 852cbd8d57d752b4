"""What the gyro misses, against closed forms and against made-up pictures of a turning camera."""

from __future__ import annotations

import numpy as np
import pytest

from flow.anchoring.turn import Turn
from flow.module import Gyro

NOISE, BIAS = 1.2e-4, 2e-4
GYRO = Gyro.model_validate({"noise_rad_s_rthz": NOISE, "sigma": {"bias_rad_s": [BIAS] * 3}})


def test_uncertainty_grows_as_noise_and_bias_say() -> None:
    # Closed form: variance of the angle N^2 t + (b t)^2; the bias wanders next to nothing in 4 s.
    turn = Turn(GYRO, 0.0, 1e-9)
    for k in range(1, 401):
        turn.advance(k / 100, np.eye(3), 1e-9)
    expected = NOISE**2 * 4 + (BIAS * 4) ** 2
    assert np.diag(turn.missed_rad2) == pytest.approx([expected] * 3, rel=0.01)


def test_pictures_teach_the_bias() -> None:
    # Exact truth: a bias of 0.3 mrad/s about z, pictures that tell the turn to 0.1 mrad, anchors of 2 s for 20 s. What is
    # left of the bias is what 0.1 mrad over some seconds allows.
    rng = np.random.default_rng(3)
    bias, noise = np.array([0.0, 0.0, 3e-4]), 1e-4
    turn: Turn | None = None
    for anchor in range(10):
        begin = 2.0 * anchor
        turn = Turn(GYRO, begin, 1e-6, turn)
        for k in range(1, 51):
            time_s = begin + k / 25
            turn.advance(time_s, np.eye(3), 1e-6)
            prior = turn.seen_rad2
            seen = bias * (time_s - begin) + rng.normal(0, noise, 3)
            gain = prior @ np.linalg.inv(prior + noise**2 * np.eye(3))
            turn.absorb(turn.seen_rad + gain @ (seen - turn.seen_rad), (np.eye(3) - gain) @ prior)
    assert turn is not None
    learnt, sigma = turn._state[6:], np.sqrt(np.diag(turn._covariance)[6:])
    assert sigma.max() < 0.25 * BIAS
    assert (np.abs(learnt - bias) < 3.5 * sigma).all()
    assert learnt[2] > 0.8 * bias[2]  # signed: it is the turn that the gyro has missed


def test_a_codecs_lag_is_not_taken_for_a_turn() -> None:
    # A steady apparent turn of 1 mrad from the first moment on, lag of that size allowed: of the missed turn hardly any.
    turn = Turn(GYRO, 0.0, 1e-3)
    for k in range(1, 26):
        turn.advance(k / 25, np.eye(3), 1e-3)
        prior = turn.seen_rad2
        gain = prior @ np.linalg.inv(prior + 1e-8 * np.eye(3))
        seen = np.array([0.0, 0.0, 1e-3])
        turn.absorb(turn.seen_rad + gain @ (seen - turn.seen_rad), (np.eye(3) - gain) @ prior)
    assert turn.seen_rad[2] == pytest.approx(1e-3, rel=0.1)
    assert abs(turn.missed_rad[2]) < 2e-4
