"""Comparisons with a reference. Expected values are closed forms of motions that the test writes down."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable

import numpy as np
import pytest
import scipy.integrate
import scipy.signal
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from flow.accuracy.comparison import AxisAccuracy, compare
from flow.accuracy.reference import Reference
from flow.errors import DataError
from flow.series import Truth
from flow.speedlog import SpeedLog

Array = NDArray[np.float64]
Motion = Callable[[Array], Array]


def swaying(t: Array) -> Array:
    """Fly along a row of plants, swaying at frequencies with no common period; (N, 3)."""
    forward = 1 + 0.5 * np.sin(1.3 * t) + 0.2 * np.sin(3.1 * t)
    return np.column_stack([forward, 0.4 * np.cos(0.9 * t), 0.1 * np.sin(2.0 * t)])


def steady(t: Array) -> Array:
    return np.tile([1.0, 0.0, 0.0], (len(t), 1))


def truth_of(motion: Motion, *, seconds: float = 20, rate_hz: float = 200, height_m: float = 2.0) -> Truth:
    t = np.arange(round(seconds * rate_hz) + 1) / rate_hz
    v = motion(t)
    return Truth(time_s=t, forward_m_s=v[:, 0], right_m_s=v[:, 1], down_m_s=v[:, 2], height_m=np.full(len(t), height_m))


def log_of(
    motion: Motion, *, begin_s: float = 0.6, end_s: float = 19.4, rate_hz: float = 50, sigma: float = 0.01
) -> SpeedLog:
    edges = np.arange(begin_s, end_s, 1 / rate_hz)
    t, interval = (edges[1:] + edges[:-1]) / 2, np.diff(edges)
    count = len(t)
    return SpeedLog(
        time_s=t,
        interval_s=interval,
        velocity_m_s=motion(t),
        sigma_m_s=np.full((count, 3), sigma),
        height_m=np.full(count, 2.05),
        height_sigma_m=np.full(count, 0.02),
        tracks=np.full(count, 100.0),
        inlier_share=np.ones(count),
        status=count * ["ok"],
    )


def shaken(motion: Motion, sigma: float, *, seed: int = 1) -> Motion:
    return lambda t: motion(t) + np.random.default_rng(seed).normal(0, sigma, (len(t), 3))


def axes(log: SpeedLog, truth: Truth) -> list[AxisAccuracy]:
    found = compare(log, truth)
    return [found.forward, found.right, found.down]


def test_signed_bias_rms_and_drift_on_each_axis() -> None:
    bias = np.array([0.02, -0.03, 0.01])
    log = log_of(lambda t: swaying(t) + bias)
    covered = float(log.interval_s.sum())
    for axis, expected in zip(axes(log, truth_of(swaying)), bias, strict=True):
        # What is left is the curve of the motion in an interval: a h^2 / 24 with |a| < 3 m/s3, 5e-5 m/s.
        assert axis.bias_m_s == pytest.approx(expected, abs=5e-5)
        assert axis.rms_m_s == pytest.approx(abs(expected), abs=5e-5)
        assert axis.drift_m == pytest.approx(expected * covered, abs=5e-5 * covered)


def test_scale_error_is_signed_and_its_band_holds_it() -> None:
    scale = np.array([1.02, 0.97, 1.0])
    for axis, expected in zip(
        axes(log_of(shaken(lambda t: swaying(t) * scale, 0.01)), truth_of(swaying)), scale, strict=True
    ):
        assert axis.scale_error is not None
        assert axis.scale_error_sigma is not None
        # White noise of 0.01 m/s on 939 rows of a motion with spread s: 0.01 / (s sqrt(939)); four of them.
        assert axis.scale_error == pytest.approx(expected - 1, abs=4 * 0.01 / (0.07 * np.sqrt(939)))
        assert abs(axis.scale_error - (expected - 1)) < 4 * axis.scale_error_sigma


def test_scale_error_is_the_slope_that_scipy_finds() -> None:
    log = log_of(shaken(lambda t: swaying(t) * 1.02 + 0.05, 0.01))
    known = Reference(truth_of(swaying)).mean_velocity_m_s(log.time_s, log.interval_s)
    for i, axis in enumerate(axes(log, truth_of(swaying))):
        line = scipy.stats.linregress(known[:, i], log.velocity_m_s[:, i])
        assert axis.scale_error == pytest.approx(line.slope - 1, abs=1e-9)
        assert axis.bias_m_s == pytest.approx((log.velocity_m_s - known)[:, i].mean(), abs=1e-12)
        # White noise, so SciPy's is right; one draw of a sigma from 20 blocks scatters by 22 %: three of them.
        assert axis.scale_error_sigma == pytest.approx(line.stderr, rel=0.75)


def test_no_scale_where_the_reference_does_not_vary() -> None:
    for axis in axes(log_of(shaken(steady, 0.01)), truth_of(steady)):
        assert axis.scale_error is None
        assert axis.scale_error_sigma is None


@pytest.mark.parametrize(
    ("claimed", "share_95", "share_50"), [(0.01, 0.95, 0.5), (0.005, 0.673, 0.264), (0.02, 0.99991, 0.823)]
)
def test_shares_inside_the_bands_of_gaussian_errors(claimed: float, share_95: float, share_50: float) -> None:
    # Normal distribution: P(|x| < 1.96 c) and P(|x| < 0.6745 c) for a claimed sigma c times the true one.
    # A share of 939 independent rows spreads by sqrt(p (1 - p) / 939) <= 0.016; four of them.
    for axis in axes(log_of(shaken(swaying, 0.01), sigma=claimed), truth_of(swaying)):
        assert axis.share_95 == pytest.approx(share_95, abs=4 * np.sqrt(share_95 * (1 - share_95) / 939) + 1e-3)
        assert axis.share_50 == pytest.approx(share_50, abs=4 * np.sqrt(share_50 * (1 - share_50) / 939))


def test_height_distance_and_drift_over_distance() -> None:
    found = compare(log_of(lambda t: steady(t) + np.array([0.01, 0, 0])), truth_of(steady))
    assert found.height is not None
    assert found.height.bias_m == pytest.approx(0.05)
    assert found.height.rms_m == pytest.approx(0.05)
    assert found.height.share_95 == 0.0  # 0.05 m off with a sigma of 0.02 m
    assert found.distance_m == pytest.approx(found.compared_s)
    assert found.drift_share == pytest.approx(0.01)


def test_hovering_has_no_drift_over_distance() -> None:
    still = truth_of(lambda t: np.zeros((len(t), 3)))
    assert compare(log_of(lambda t: np.zeros((len(t), 3))), still).drift_share is None


@pytest.mark.parametrize("shift_s", [-0.4321, -0.0123, 0.0, 0.0123, 0.3])
def test_the_time_shift_is_found_with_its_sign(shift_s: float) -> None:
    # The log's clock is behind by the shift: its t happened at t + shift. It also over-reads by 3 %.
    log = log_of(shaken(lambda t: 1.03 * swaying(t + shift_s) + 0.1, 0.01))
    found = compare(log, truth_of(swaying))
    assert found.time_shift is not None
    # Cramer-Rao for white noise: 0.01 / sqrt(sum of squared accelerations) is 0.5 ms here.
    assert found.time_shift.shift_s == pytest.approx(shift_s, abs=4 * 0.5e-3)
    assert found.time_shift.sigma_s == pytest.approx(0.5e-3, rel=0.4)
    assert not found.aligned
    aligned = compare(log, truth_of(swaying), align=True)
    assert aligned.aligned
    assert aligned.forward.scale_error == pytest.approx(0.03, abs=0.01)
    assert aligned.right.bias_m_s == pytest.approx(0.1, abs=0.003)


@pytest.mark.parametrize(
    "motion",
    [
        steady,
        lambda t: np.column_stack([np.sin(2 * np.pi * 4 * t), 0 * t, 0 * t]),  # repeats every 0.25 s
    ],
    ids=["steady", "periodic"],
)
def test_a_motion_that_cannot_tell_the_shift(motion: Motion) -> None:
    log, truth = log_of(shaken(motion, 0.01)), truth_of(motion)
    assert compare(log, truth).time_shift is None
    with pytest.raises(DataError, match="the time shift between the logs is not observable"):
        compare(log, truth, align=True)


def test_a_shift_beyond_the_search_is_not_guessed() -> None:
    assert compare(log_of(shaken(lambda t: swaying(t + 0.8), 0.01)), truth_of(swaying)).time_shift is None


def lasting(motion: Motion, sigma: float, rho: float, seed: int) -> Motion:
    """Add errors of which each row keeps ``rho`` of the one before."""

    def moved(t: Array) -> Array:
        white = np.random.default_rng(seed).normal(0, sigma * np.sqrt(1 - rho**2), (len(t) + 300, 3))
        return motion(t) + scipy.signal.lfilter([1], [1, -rho], white, axis=0)[300:]

    return moved


@pytest.mark.parametrize("rho", [0.0, 0.9])
def test_the_shift_sigma_holds_for_errors_that_last(rho: float) -> None:
    # Closed form: the score sum(p r) of slow p and errors r of which each keeps rho has (1 + rho) / (1 - rho)
    # times the variance of independent ones: a sigma that supposes them independent is 4.4 times too sure.
    truth, z, sigmas = truth_of(swaying), [], []
    for seed in range(24):
        shift = compare(log_of(lasting(lambda t: swaying(t + 0.02), 0.01, rho, seed)), truth).time_shift
        assert shift is not None
        z.append((shift.shift_s - 0.02) / shift.sigma_s)
        sigmas.append(shift.sigma_s)
    # 24 draws know a spread to 14 %; three of those, and 5 % for a sigma that is itself uncertain.
    assert 0.55 < np.std(z) < 1.5
    assert abs(np.mean(z)) < 4 / np.sqrt(24)
    # A motion of up to 3.1 rad/s is slow against errors that last 0.2 s: within 1 / (1 + 0.6^2).
    assert np.mean(sigmas) == pytest.approx(0.5e-3 * np.sqrt((1 + rho) / (1 - rho)), rel=0.35)


@pytest.mark.parametrize("step_s", [0.1, 0.2])
def test_what_a_sparse_reference_cannot_tell(step_s: float) -> None:
    # Straight lines between samples of A sin(w t) are A w^2 h^2 / sqrt(120) / sqrt(2) off, RMS, to first order in
    # w h (0.62 at most; the next term is a tenth). Compared at once with how far off they are.
    amplitude, w = np.array([0.7, 0.4, 0.1]), np.array([1.3, 3.1, 2.0])
    t = np.arange(0, 60, step_s)
    v = amplitude * np.sin(np.outer(t, w))
    reference = Reference(Truth(time_s=t, forward_m_s=v[:, 0], right_m_s=v[:, 1], down_m_s=v[:, 2], height_m=1 + 0 * t))
    at = np.arange(0, 59.5, 0.003)
    straight = np.column_stack([np.interp(at, t, v[:, k]) for k in range(3)])
    off = np.sqrt(np.mean((straight - amplitude * np.sin(np.outer(at, w))) ** 2, axis=0))
    np.testing.assert_allclose(reference.between_m_s, off, rtol=0.12)
    np.testing.assert_allclose(reference.between_m_s, amplitude * w**2 * step_s**2 / np.sqrt(240), rtol=0.12)
    assert (reference.step_s, reference.gaps) == (pytest.approx(step_s), 0)


@pytest.mark.parametrize("rate_hz", [10, 25, 200])
def test_reference_rates_and_a_gap_change_little(rate_hz: float) -> None:
    full = truth_of(swaying, rate_hz=rate_hz)
    keep = (full.time_s < 8) | (full.time_s > 9)
    gappy = Truth(**{f.name: getattr(full, f.name)[keep] for f in dataclasses.fields(full)})
    bias = np.array([0.02, -0.03, 0.01])
    found = compare(log_of(shaken(lambda t: swaying(t) + bias, 0.01)), gappy)
    assert found.reference.gaps == 1
    assert found.reference.step_s == pytest.approx(1 / rate_hz)
    for axis, expected in zip((found.forward, found.right, found.down), bias, strict=True):
        assert axis.bias_m_s == pytest.approx(expected, abs=4 * 0.01 / np.sqrt(850))
        assert axis.bias_sigma_m_s == pytest.approx(0.01 / np.sqrt(850), rel=0.75)  # 22 % scatter, three of them


def test_how_much_wider_the_band_should_be() -> None:
    # Errors of 0.01 under a claim of 0.005: twice as wide. 5 % of 939 rows know the quantile to 4 %; three of those.
    for axis in axes(log_of(shaken(swaying, 0.01), sigma=0.005), truth_of(swaying)):
        assert axis.band_stretch == pytest.approx(2.0, rel=0.12)
        assert axis.too_narrow
    for axis in axes(log_of(shaken(swaying, 0.01), sigma=0.0102), truth_of(swaying)):
        assert not axis.too_narrow
    for axis in axes(log_of(shaken(swaying, 0.01), sigma=0.0), truth_of(swaying)):
        assert (axis.band_stretch, axis.share_95) == (None, 0.0)
        assert axis.too_narrow


def test_rows_are_averaged_over_their_interval() -> None:
    # v = t^2 sampled at 0, 0.1, ...: piecewise linear between. SciPy's quadrature is the oracle for its mean.
    t = np.arange(11) / 10
    truth = Truth(time_s=t, forward_m_s=t**2, right_m_s=-t, down_m_s=0 * t, height_m=1 + t)
    centre, interval = np.array([0.23, 0.5, 0.85]), np.array([0.02, 0.5, 0.3])
    found = Reference(truth).mean_velocity_m_s(centre, interval)
    for row, c, h in zip(found, centre, interval, strict=True):
        area, _ = scipy.integrate.quad(
            lambda s: np.interp(s, t, t**2), c - h / 2, c + h / 2, points=t.tolist(), limit=200
        )
        assert row[0] == pytest.approx(area / h, abs=1e-9)
        assert row[1] == pytest.approx(-c, abs=1e-12)
    np.testing.assert_allclose(Reference(truth).height_m(centre), 1 + centre, atol=1e-12)


@settings(max_examples=60, deadline=None)
@given(
    steps=st.lists(st.floats(0.01, 0.2), min_size=2, max_size=30),
    seed=st.integers(0, 1000),
    begin=st.floats(0, 1),
    length=st.floats(0.001, 1),
    origin=st.sampled_from([0.0, 1.7e9]),
)
def test_interval_means_agree_with_numpy(
    steps: list[float], seed: int, begin: float, length: float, origin: float
) -> None:
    t = origin + np.concatenate([[0], np.cumsum(steps)])
    v = np.random.default_rng(seed).normal(size=len(t))
    truth = Truth(time_s=t, forward_m_s=v, right_m_s=v, down_m_s=v, height_m=v)
    a = t[0] + begin * (t[-1] - t[0])
    b = a + length * (t[-1] - a)
    centre, interval = np.array([(a + b) / 2]), np.array([b - a])
    if interval[0] < 1e-4:
        return
    found = Reference(truth).mean_velocity_m_s(centre, interval)[0, 0]
    if np.isnan(found):  # an end may fall a rounding step outside
        return
    knots = np.unique(np.concatenate([[a, b], t[(t > a) & (t < b)]]))
    expected = np.trapezoid(np.interp(knots, t, v), knots) / (b - a)
    # A time near 1.7e9 s is known to 2.4e-7 s, and an interval of 1e-4 s divides that.
    assert found == pytest.approx(expected, abs=1e-9 if origin == 0 else 0.05)


def test_nothing_is_said_across_a_gap_or_beyond_the_ends() -> None:
    full = truth_of(swaying)
    keep = (full.time_s < 5) | (full.time_s > 7)
    gappy = Truth(**{f.name: getattr(full, f.name)[keep] for f in dataclasses.fields(full)})
    log = log_of(swaying, begin_s=-1, end_s=21)
    found = compare(log, gappy)
    inside = (log.time_s - log.interval_s / 2 >= 0) & (log.time_s + log.interval_s / 2 <= 20)
    clear = (log.time_s + log.interval_s / 2 < 5) | (log.time_s - log.interval_s / 2 > 7)
    assert found.rows_compared == pytest.approx((inside & clear).sum(), abs=2)
    assert found.forward.rms_m_s < 1e-4
    assert np.isnan(Reference(gappy).height_m(np.array([-0.1, 6.0, 20.1]))).all()


def test_a_sample_missing_now_and_then_is_no_gap() -> None:
    full = truth_of(swaying, rate_hz=100)
    keep = np.arange(len(full.time_s)) % 7 != 3
    thinned = Truth(**{f.name: getattr(full, f.name)[keep] for f in dataclasses.fields(full)})
    log = log_of(swaying)
    assert compare(log, thinned).rows_compared == len(log.time_s)


def test_rows_without_velocity_are_counted_and_left_out() -> None:
    log = log_of(swaying)
    velocity, sigma = log.velocity_m_s.copy(), log.sigma_m_s.copy()
    velocity[::4], sigma[::4] = np.nan, np.nan
    found = compare(dataclasses.replace(log, velocity_m_s=velocity, sigma_m_s=sigma), truth_of(swaying))
    assert found.rows == len(velocity)
    assert found.rows_usable == found.rows_compared == np.isfinite(velocity[:, 0]).sum()
    nothing = dataclasses.replace(log, velocity_m_s=np.full_like(velocity, np.nan))
    with pytest.raises(DataError, match="no row of the speed log gives a velocity"):
        compare(nothing, truth_of(swaying))


def test_logs_that_never_meet_say_both_spans() -> None:
    log = log_of(swaying)
    late = dataclasses.replace(log, time_s=log.time_s + 1000)
    with pytest.raises(
        DataError, match=r"the speed log \(1000.610 to 1019.\d+ s\) and the reference \(0.000 to 20.000 s\)"
    ):
        compare(late, truth_of(swaying))


def test_a_reference_without_velocity() -> None:
    truth = truth_of(swaying)
    with pytest.raises(DataError, match="fewer than two rows of the reference"):
        compare(log_of(swaying), dataclasses.replace(truth, forward_m_s=np.full(len(truth.time_s), np.nan)))


def test_the_result_is_plain_json() -> None:
    log = log_of(shaken(swaying, 0.01), sigma=0.0)  # no ratio to a sigma of zero is a number
    found = compare(log, truth_of(swaying)).as_dict()
    assert json.loads(json.dumps(found, allow_nan=False)) == found
