"""Gyro samples to rotation, against SciPy's rotations and closed forms."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation, RotationSpline

from flow.module import Gyro
from flow.rotation import RotationLog
from tests.streams import gyro

STEP_S = 0.005


def log_of(times: np.ndarray, rates: np.ndarray, **kwargs: float) -> RotationLog:
    log = RotationLog(Gyro(), **kwargs)
    log.append(gyro(times, rates))
    return log


def turn_between(log: RotationLog, start_s: float, end_s: float) -> Rotation:
    ends = log.orientation(np.array([start_s, end_s]))
    return ends[0].inv() * ends[1]


def wobble() -> RotationSpline:
    rng = np.random.default_rng(3)
    return RotationSpline(np.arange(0, 1.01, 0.1), Rotation.from_rotvec(np.cumsum(rng.normal(0, 0.1, (11, 3)), axis=0)))


SPANS = [(0.1, 0.9), (0.2034, 0.2231), (0.5, 0.5), (0.7012, 0.3)]


@pytest.mark.parametrize(("start_s", "end_s"), SPANS)
def test_a_smooth_rotation_is_recovered(start_s: float, end_s: float) -> None:
    # Truth: SciPy's RotationSpline and its own body rates. The rate's curvature between samples, w'' h^2 / 12
    # with w'' up to 2000 rad/s^3, leaves 4 mrad/s at 5 ms for a spline piece of 0.1 s, then changes sign; 16
    # times less at 1.25 ms.
    truth = wobble()
    expected = truth(start_s).inv() * truth(end_s)
    for step_s, tolerance in ((STEP_S, 4e-4), (STEP_S / 4, 2.5e-5)):
        times = np.arange(0, 1, step_s)
        found = turn_between(log_of(times, truth(times, 1)), start_s, end_s)
        np.testing.assert_allclose((expected.inv() * found).as_rotvec(), 0, atol=tolerance)


@pytest.mark.parametrize("slip", ["sign", "axes", "milliseconds"])
def test_the_same_check_notices_what_it_should(slip: str) -> None:
    # Mutations of the test above, each 10 times its tolerance or more.
    truth = wobble()
    times = np.arange(0, 1, STEP_S)
    rates = truth(times, 1)
    rates = {"sign": -rates, "axes": rates[:, [1, 0, 2]], "milliseconds": 1e3 * rates}[slip]
    found = turn_between(log_of(times, rates), 0.1, 0.9)
    assert ((truth(0.1).inv() * truth(0.9)).inv() * found).magnitude() > 4e-3


def test_rate_between_samples_is_taken_as_linear_with_its_coning_term() -> None:
    # Source: the product of 400 tiny SciPy rotations a step. The expansion's next term is of the order T^5 w
    # w'^2 / 240, 1e-8 rad a step at these wild 4 rad/s from sample to sample; the coning term itself is 1e-4.
    rng = np.random.default_rng(5)
    times = np.arange(11) * STEP_S
    rates = rng.normal(0, 4, (11, 3))
    fine = (np.arange(400 * 10) + 0.5) * (STEP_S / 400)
    tiny = np.column_stack([np.interp(fine, times, rates[:, k]) for k in range(3)]) * (STEP_S / 400)
    product = Rotation.identity()
    for vector in tiny:
        product = product * Rotation.from_rotvec(vector)
    found = turn_between(log_of(times, rates), times[0], times[-1])
    missed = (product.inv() * found).magnitude()
    without = Rotation.identity()
    for k in range(10):
        without = without * Rotation.from_rotvec(0.5 * (rates[k] + rates[k + 1]) * STEP_S)
    assert missed < 1e-6
    assert (product.inv() * without).magnitude() > 20 * missed  # the mutation: no coning term


@pytest.mark.parametrize("rate_rad_s", [0.0, 1e-9, 1e-4, 0.3, 300.0, 900.0])
def test_a_constant_rate_is_an_exponential(rate_rad_s: float) -> None:
    # Source: SciPy's Rotation.from_rotvec; 1e-12 rad is double precision over 20 factors. 900 rad/s turns
    # past pi a step.
    rate = rate_rad_s * np.array([0.6, 0.0, -0.8])
    log = log_of(np.arange(20) * STEP_S, np.tile(rate, (20, 1)))
    at = np.array([0.0, 0.0123, 0.09])
    missed = Rotation.from_rotvec(rate * at[:, None]).inv() * log.orientation(at)
    np.testing.assert_allclose(missed.as_rotvec(), 0, atol=1e-12)
    np.testing.assert_allclose(log.matrices(at), log.orientation(at).as_matrix(), atol=1e-12)


def test_coning_does_not_drift() -> None:
    # Closed form: an axis that circles at half-angle a and w rad/s turns at w (-sin a sin wt, sin a cos wt,
    # -(1 - cos a)).
    # After any whole number of circles the body is back where it was; sampled at 2 kHz the linear rate leaves
    # 2 (1 - cos a) w T (w h)^2 / 12 = 0.5 mrad in 10 s (it shrinks the circle by (w h)^2 / 12, the slow turn
    # by twice that).
    a, w, h = 0.1, 2 * np.pi * 10, 5e-4
    times = np.arange(0, 10 + 2 * h, h)
    rates = w * np.column_stack(
        [-np.sin(a) * np.sin(w * times), np.sin(a) * np.cos(w * times), np.full_like(times, -(1 - np.cos(a)))]
    )
    turned = turn_between(log_of(times, rates, keep_s=20.0), 0.0, 10.0)
    assert turned.magnitude() < 1.1 * 2 * (1 - np.cos(a)) * w * 10 * (w * h) ** 2 / 12
    rates[:, 2] = 0.0  # the mutation: the slow axis left out drifts by w (1 - cos a) T = 3.1 rad
    assert turn_between(log_of(times, rates, keep_s=20.0), 0.0, 10.0).magnitude() > 1.0


@settings(max_examples=25, deadline=None)
@given(cuts=st.lists(st.integers(1, 199), max_size=8))
def test_chunks_do_not_matter(cuts: list[int]) -> None:
    # Closed form: the same product in other brackets; 1e-12 rad is rounding of 200 factors.
    times = np.arange(200) * STEP_S
    rates = wobble()(times / 1.0, 1)
    whole = log_of(times, rates)
    parts = RotationLog(Gyro())
    for piece in np.split(np.arange(200), sorted(set(cuts))):
        parts.append(gyro(times[piece], rates[piece]))
    parts.append(gyro([], np.empty((0, 3))))
    at = np.array([0.0, 0.3217, 0.9])
    assert np.abs((whole.orientation(at).inv() * parts.orientation(at)).as_rotvec()).max() < 1e-12
    assert parts.latest_s == whole.latest_s


def test_bias_is_subtracted() -> None:
    # Closed form: a log that shows its bias and nothing else has not turned.
    bias = (0.02, -0.03, 0.01)
    log = RotationLog(Gyro(bias_rad_s=bias))
    log.append(gyro(np.arange(100) * STEP_S, bias))
    assert turn_between(log, 0.0, 0.4).magnitude() < 1e-12
    np.testing.assert_allclose(log.rate(0.2), 0, atol=1e-15)


def test_a_rate_is_averaged_over_rows() -> None:
    # Closed form: of a sine the mean over T is sin(w T / 2) / (w T / 2) of its middle. 130 Hz over 15 ms leave 2.7 %; samples at
    # 4 kHz joined by lines add 0.4 % of the amplitude, 16 parts as much.
    times, omega = np.arange(0.0, 0.1, 1 / 4000), 2 * np.pi * 130
    log = log_of(times, np.outer(np.cos(omega * (times - 0.05)), [1.4, 0.0, -0.7]))
    share = np.sin(omega * 0.0075) / (omega * 0.0075)
    np.testing.assert_allclose(log.rate(0.05, 0.015), share * np.array([1.4, 0.0, -0.7]), atol=0.015)
    np.testing.assert_allclose(log.rate(0.05, 0.0), [1.4, 0.0, -0.7], atol=1e-3)


def test_rate_is_interpolated() -> None:
    # Closed form of a line.
    log = log_of(np.array([0.0, 0.01]), np.array([[1.0, 0, 2], [3.0, 0, -2]]))
    np.testing.assert_allclose(log.rate(0.0025), [1.5, 0, 1.0], atol=1e-12)


def test_a_single_sample_holds_its_rate() -> None:
    # A stream may begin with one sample; the rate beside it is that sample's, and nothing is covered yet.
    log = log_of(np.array([0.0]), np.array([[0.1, 0.0, -0.2]]))
    assert not log.covers(0.0, 0.0)
    assert log.orientation(np.array([0.0])).magnitude() == pytest.approx(0.0, abs=1e-15)
    np.testing.assert_allclose(log.rate(0.0), [0.1, 0.0, -0.2])


def test_the_past_is_forgotten_and_memory_bounded() -> None:
    # Ten times the stream, the same peak: within 10 %, for the last chunk that happens to be copied.
    assert peak_bytes(40) == pytest.approx(peak_bytes(4), rel=0.1)
    log = log_of(np.arange(4000) * STEP_S, np.zeros((4000, 3)), keep_s=1.0)
    assert log.covers(19.0, 19.9)
    assert not log.covers(1.0, 1.1)


def peak_bytes(seconds: int) -> int:
    tracemalloc.start()
    log = RotationLog(Gyro(), keep_s=1.0)
    for k in range(seconds * 20):
        log.append(gyro(k * 0.05 + np.arange(25) * 0.002, (0.1, 0, 0)))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak


COVERED = [
    (0.1, 0.4, True),
    (-0.004, 0.1, True),
    (0.9, 0.999, True),  # inside, and one step beyond either end
    (-0.02, 0.1, False),
    (0.9, 1.02, False),  # farther out
    (0.48, 0.52, False),
    (0.51, 0.56, False),
    (0.53, 0.54, False),  # into, out of and within the hole
    (0.45, 0.495, True),
    (0.565, 0.6, True),  # beside it
]


@pytest.mark.parametrize(("start_s", "end_s", "covered"), COVERED)
def test_what_is_covered(start_s: float, end_s: float, covered: bool) -> None:
    # Expected by the docstring: samples every 5 ms from 0 to 0.995 s with a hole from 0.5 to 0.56 s.
    times = np.arange(200) * STEP_S
    times = times[(times <= 0.5) | (times >= 0.56)]
    assert log_of(times, np.zeros((len(times), 3))).covers(start_s, end_s) is covered


def test_an_empty_log_covers_nothing() -> None:
    # Expected by the docstring.
    log = RotationLog(Gyro())
    assert not log.covers(0.0, 0.0)
    assert log.latest_s == -np.inf


def test_samples_that_do_not_advance_are_refused() -> None:
    # Expected by the docstring: an error of the caller, not a silent wrong rotation.
    log = log_of(np.array([0.0, 0.01]), np.zeros((2, 3)))
    with pytest.raises(ValueError, match="advance"):
        log.append(gyro([0.01], (0, 0, 0)))
