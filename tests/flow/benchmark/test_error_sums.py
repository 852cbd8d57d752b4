"""Errors as sums: against SciPy and closed forms, on rows made for it."""

from __future__ import annotations

from functools import reduce
from operator import add

import numpy as np
import pytest
from scipy.stats import linregress

from flow.accuracy.reference import Reference
from flow.benchmark.error_sums import ErrorSums, sum_errors
from flow.row import LevelVelocity, NoVelocity, SpeedRow
from flow.series import Truth

STEP_S = 0.02
SCALE, BIAS, NOISE = 0.013, (-0.004, 0.007), 0.01


def true_speed(t: np.ndarray, phase: float) -> np.ndarray:
    return 0.8 + 0.3 * np.sin(2 * t + phase)


def travelled(t: np.ndarray, phase: float) -> np.ndarray:
    return 0.8 * t - 0.15 * np.cos(2 * t + phase)


def run(seed: int, count: int = 400, *, gap: int = 0) -> tuple[list[SpeedRow], Reference, np.ndarray, np.ndarray]:
    """Rows, their reference, and the true mean speeds (N,) and errors (N, 2) that were put in."""
    rng = np.random.default_rng(seed)
    edges = 1 + STEP_S * np.arange(count + 1)
    truth = np.diff(travelled(edges, seed)) / STEP_S
    error = np.column_stack([SCALE * truth + BIAS[0], np.full(count, BIAS[1])]) + rng.normal(0, NOISE, (count, 2))
    rows = []
    for k in range(count):
        given = LevelVelocity(
            forward_m_s=truth[k] + error[k, 0],
            right_m_s=error[k, 1],
            down_m_s=0.0,
            covariance_m2_s2=np.eye(3) * NOISE**2,
        )
        rows.append(
            SpeedRow(
                time_s=float(edges[k] + STEP_S / 2),
                interval_s=STEP_S,
                velocity=NoVelocity(reason="few_tracks") if k < gap else given,
                height_m=1.0,
                height_sigma_m=0.01,
                tracks=100,
                inlier_share=0.9,
            )
        )
    fine = np.arange(0, edges[-1] + 1, 0.001)
    still = np.zeros_like(fine)
    log = Truth(time_s=fine, forward_m_s=true_speed(fine, seed), right_m_s=still, down_m_s=still, height_m=still + 1)
    return rows, Reference(log), truth[gap:], error[gap:]


def test_the_figures_are_those_of_the_errors_put_in() -> None:
    rows, reference, truth, error = run(1, gap=7)
    sums = sum_errors(rows, reference)
    assert (sums.rows, sums.compared, sums.usable) == (400, 393, 393 / 400)
    # 1e-6: straight lines between reference samples a millisecond apart.
    assert sums.forward_rms_m_s == pytest.approx(np.sqrt(np.mean(error[:, 0] ** 2)), abs=1e-6)
    assert sums.right_rms_m_s == pytest.approx(np.sqrt(np.mean(error[:, 1] ** 2)), abs=1e-6)
    assert sums.rms_m_s == pytest.approx(np.sqrt(np.mean(error**2)), abs=1e-6)
    assert sums.bias_m_s == pytest.approx(error[:, 0].mean(), abs=1e-6)
    assert sums.claimed_m_s == pytest.approx(NOISE)
    # Drift and distance: sums over intervals, closed form for row means.
    drift = np.hypot(*(error * STEP_S).sum(axis=0))
    assert sums.drift_per_distance == pytest.approx(drift / (truth * STEP_S).sum(), rel=1e-4)


def test_the_scale_is_linregress_slope() -> None:
    rows, reference, truth, error = run(2)
    expected = linregress(truth, error[:, 0])
    found = sum_errors(rows, reference).scale_error
    assert found == pytest.approx(expected.slope, abs=1e-5)
    assert found == pytest.approx(SCALE, abs=4 * expected.stderr)


def test_pooled_runs_have_a_constant_each() -> None:
    runs = [run(seed, count) for seed, count in ((3, 150), (4, 300), (5, 60))]
    pooled = reduce(add, [sum_errors(rows, reference) for rows, reference, _, _ in runs])
    # Least squares with one constant a run (NumPy's), and plain pooling for the rest.
    constant = np.repeat(np.eye(3), [150, 300, 60], axis=0)
    truth, error = (np.concatenate([r[k] for r in runs]) for k in (2, 3))
    slope = np.linalg.lstsq(np.column_stack([truth, constant]), error[:, 0], rcond=None)[0][0]
    assert pooled.scale_error == pytest.approx(slope, abs=1e-5)
    assert pooled.rms_m_s == pytest.approx(np.sqrt(np.mean(error**2)), abs=1e-6)
    assert pooled.runs == 3


def test_the_band_holds_what_a_gaussian_does() -> None:
    rows, reference, _, error = run(6, 2000)
    expected = np.mean(np.abs(error) <= 1.959964 * NOISE)
    # An error on the very edge may fall either way.
    assert sum_errors(rows, reference).cover95 == pytest.approx(expected, abs=2 / 4000)


def test_rows_beyond_the_reference_are_left_out() -> None:
    rows, reference, _, _ = run(7)
    late = [
        SpeedRow(
            time_s=row.time_s + 100, interval_s=row.interval_s, velocity=row.velocity, height_m=None,
            height_sigma_m=None, tracks=0, inlier_share=None,
        )
        for row in rows
    ]  # fmt: skip
    assert sum_errors([*rows, *late], reference) == sum_errors(rows, reference)
    nothing = sum_errors(late, reference)
    assert (nothing.rows, nothing.compared) == (0, 0)
    assert np.isnan([nothing.rms_m_s, nothing.usable, nothing.scale_error, nothing.drift_per_distance]).all()


def test_what_the_motion_cannot_tell_is_nan() -> None:
    still = ErrorSums(
        runs=1, rows=9, compared=9, forward=0.0, right=0.0, forward_square=1e-4, right_square=1e-4, claimed=1e-4, inside=9,
        truth_spread=9 * 0.01**2, truth_error=1e-5, drift_m2=1e-6, distance_m2=0.01**2,
    )  # fmt: skip
    assert np.isnan(still.scale_error)
    assert np.isnan(still.drift_per_distance)
