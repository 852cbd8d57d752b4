"""The process model against the continuous equations that it stands for."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import expm
from scipy.spatial.transform import Rotation

from flow.motion import layout as at
from flow.motion.process import process

SPAN_S = 1 / 60
KEPT_S = np.array([0.7, 2.0])
DENSITY = np.array([0.02**2, 3e-4**2, 1e-5**2, 0.5**2, 1e-4**2, 2e-4**2, 3e-4**2])
LASTING = np.array([[4.0, 1.0, 0.5], [1.0, 3.0, 0.2], [0.5, 0.2, 2.0]]) * 1e-4
R = Rotation.from_rotvec([0.3, -0.5, 1.1]).as_matrix()
I3 = np.eye(3)


def state() -> np.ndarray:
    x = np.zeros(at.STATES)
    x[at.VELOCITY], x[at.GRAVITY] = [1.2, -0.7, 0.2], [0.5, -0.8, 9.7]
    return x


def cross_matrix(a: np.ndarray) -> np.ndarray:
    return np.array([[0, -a[2], a[1]], [a[2], 0, -a[0]], [-a[1], a[0], 0]])


def continuous(x: np.ndarray, *, felt: bool) -> tuple[np.ndarray, np.ndarray]:
    """Give A and the noise density L Q L' of dx = A x dt + noise, written down from the module's docstring."""
    A, noise = np.zeros((at.STATES, at.STATES)), np.zeros((at.STATES, at.STATES))
    wrong_rate = np.vstack([-cross_matrix(x[at.VELOCITY]) @ R, -cross_matrix(x[at.GRAVITY]) @ R])
    A[0:6, at.GYRO_BIAS] = wrong_rate
    noise[0:6, 0:6] = wrong_rate @ np.diag(DENSITY[4:7]) @ wrong_rate.T
    A[at.VELOCITY, at.ACCELERATION] = I3
    if felt:
        A[at.VELOCITY, at.GRAVITY], A[at.VELOCITY, at.ACCEL_BIAS] = I3, -R
        noise[at.VELOCITY, at.VELOCITY] += DENSITY[0] * I3
    else:
        A[at.VELOCITY, at.GRAVITY] = 0.0
    A[at.ACCELERATION, at.ACCELERATION], A[at.LASTING, at.LASTING] = -I3 / KEPT_S[0], -I3 / KEPT_S[1]
    noise[at.ACCELERATION, at.ACCELERATION] = 2 * DENSITY[3] / KEPT_S[0] * I3
    noise[at.LASTING, at.LASTING] = 2 / KEPT_S[1] * LASTING
    noise[at.ACCEL_BIAS, at.ACCEL_BIAS], noise[at.GYRO_BIAS, at.GYRO_BIAS] = DENSITY[1] * I3, DENSITY[2] * I3
    return A, noise


@pytest.mark.parametrize("felt", [True, False])
@pytest.mark.parametrize("span_s", [SPAN_S, 0.5])
def test_transition_is_the_exponential_of_the_continuous_equations(felt: bool, span_s: float) -> None:
    # scipy.linalg.expm. With the force felt nothing is left out; without it, gravity has no part in the velocity.
    A, _ = continuous(state(), felt=felt)
    F, _ = process(state(), R, span_s, felt, DENSITY, KEPT_S, LASTING)
    np.testing.assert_allclose(F, expm(A * span_s), rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize("felt", [True, False])
def test_noise_is_that_of_the_continuous_equations(felt: bool) -> None:
    # Van Loan 1978 (IEEE Trans. Automatic Control 23). What a step of a 60th of a second leaves out is noise that reaches a
    # state by way of another: a share of the step over the time that it takes, below 2 % of the sigmas that it joins.
    A, noise = continuous(state(), felt=felt)
    n = at.STATES
    block = expm(np.block([[-A, noise], [np.zeros((n, n)), A.T]]) * SPAN_S)
    exact = block[n:, n:].T @ block[:n, n:]
    _, Q = process(state(), R, SPAN_S, felt, DENSITY, KEPT_S, LASTING)
    sigma = np.sqrt(np.maximum(exact.diagonal(), 1e-30))
    np.testing.assert_allclose(Q / np.outer(sigma, sigma), exact / np.outer(sigma, sigma), atol=0.02)


def test_a_wrong_rate_turns_what_stands_still() -> None:
    # Closed form: a gyro that reads 10 mrad/s too much about an axis turns the frame with the body, and what stands still in
    # space turns about that axis in it the same way: by exp(10 mrad) in a second, to second order in that angle.
    bias = np.array([0.0, 0.0, 0.01])
    x = state()
    x[at.GYRO_BIAS] = bias
    F, _ = process(x, I3, 1.0, False, DENSITY, KEPT_S, LASTING)
    turned = Rotation.from_rotvec(bias)
    for place in (at.VELOCITY, at.GRAVITY):
        np.testing.assert_allclose((F @ x)[place], turned.apply(x[place]), atol=1e-4 * np.linalg.norm(x[place]))
        assert np.abs((F @ x)[place] - turned.inv().apply(x[place])).max() > 0.01 * np.abs(x[place][:2]).min()
