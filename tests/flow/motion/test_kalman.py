"""Prediction and correction against an independent library, step by step."""

from __future__ import annotations

import numpy as np
import pytest
from filterpy.kalman import KalmanFilter

from flow.motion.kalman import correct, predict

STATES, READINGS = 5, 2


def random_covariance(rng: np.random.Generator, size: int) -> np.ndarray:
    root = rng.normal(size=(size, size))
    return root @ root.T + 0.1 * np.eye(size)


def test_state_and_covariance_are_those_of_an_independent_library() -> None:
    # filterpy.kalman.KalmanFilter, the same matrices and readings, new ones in each of 50 steps; rounding only.
    rng = np.random.default_rng(5)
    theirs = KalmanFilter(dim_x=STATES, dim_z=READINGS)
    x, P = rng.normal(size=STATES), random_covariance(rng, STATES)
    theirs.x, theirs.P = x[:, None].copy(), P.copy()
    for _ in range(50):
        F, Q = np.eye(STATES) + 0.1 * rng.normal(size=(STATES, STATES)), random_covariance(rng, STATES)
        H, R = rng.normal(size=(READINGS, STATES)), random_covariance(rng, READINGS)
        z = rng.normal(size=READINGS)
        theirs.predict(F=F, Q=Q)
        theirs.update(z[:, None], R=R, H=H)
        x, P = predict(x, P, F, Q)
        found = correct(x, P, z, H, R)
        x, P = found.x, found.P
        np.testing.assert_allclose(x, theirs.x[:, 0], rtol=1e-9, atol=1e-12)
        np.testing.assert_allclose(P, theirs.P, rtol=1e-8, atol=1e-10)
        assert found.nis == pytest.approx(theirs.mahalanobis**2, rel=1e-8)


def test_a_gate_leaves_the_state_alone() -> None:
    # Closed form: z = 10, variance 1 + 3: 25 of normalised square.
    before = np.zeros(1), np.eye(1)
    z, H, R = np.array([10.0]), np.eye(1), 3 * np.eye(1)
    refused = correct(*before, z, H, R, gate=24.9)
    assert not refused.accepted and refused.nis == pytest.approx(25.0)
    np.testing.assert_array_equal(refused.x, before[0])
    np.testing.assert_array_equal(refused.P, before[1])
    accepted = correct(*before, z, H, R, gate=25.1)
    assert accepted.accepted
    assert accepted.x[0] == pytest.approx(2.5)
    assert accepted.P[0, 0] == pytest.approx(0.75)
