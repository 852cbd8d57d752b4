"""Errors by height and speed, and the worst moments, against SciPy's binning and errors that the test puts in."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import scipy.stats
from numpy.typing import NDArray

from flow.accuracy.bins import by_height, by_speed
from flow.accuracy.pairs import Pairs
from flow.accuracy.worst import farthest_outside, largest_errors

Array = NDArray[np.float64]


def flight(seed: int = 1) -> Pairs:
    """Climb from 0.5 to 4 m at 0.2 to 2 m/s with a range offset of 2 cm: speed off by v 0.02 / h, and noise."""
    rng = np.random.default_rng(seed)
    t = np.arange(4000) / 50
    height = np.linspace(0.5, 4, len(t))
    speed = 1.1 + 0.9 * np.sin(0.7 * t)
    course = 0.3 * t
    truth = np.column_stack([speed * np.cos(course), speed * np.sin(course), 0 * t])
    return Pairs(
        time_s=t,
        interval_s=np.full(len(t), 0.02),
        truth_m_s=truth,
        error_m_s=truth * (0.02 / height)[:, None] + rng.normal(0, 0.01, truth.shape),
        sigma_m_s=np.full(truth.shape, 0.01),
        height_m=height,
        height_by_reference=True,
    )


def test_bins_hold_what_scipy_bins() -> None:
    pairs = flight()
    for bins, value in ((by_height(pairs), pairs.height_m), (by_speed(pairs), pairs.speed_m_s)):
        edges = [bins[0].low, *(b.high for b in bins)]
        assert edges[0] <= value.min() and value.max() <= edges[-1]
        assert 4 <= len(bins) <= 9
        error = pairs.error_m_s[:, 1]
        count = scipy.stats.binned_statistic(value, error, "count", edges).statistic
        mean = scipy.stats.binned_statistic(value, error, "mean", edges).statistic
        square = scipy.stats.binned_statistic(value, error**2, "mean", edges).statistic
        assert [b.rows for b in bins] == count.tolist()
        np.testing.assert_allclose([b.right.bias_m_s for b in bins], mean, atol=1e-12)
        np.testing.assert_allclose([b.right.rms_m_s for b in bins], np.sqrt(square), atol=1e-12)


def test_a_range_offset_shows_as_a_scale_error_that_falls_with_height() -> None:
    scales = []
    for b in by_height(flight()):
        assert b.scale_error is not None and b.scale_error_sigma is not None
        # Closed form: 0.02 / h, h within the bin.
        assert 0.02 / b.high - 4 * b.scale_error_sigma < b.scale_error < 0.02 / b.low + 4 * b.scale_error_sigma
        scales.append(b.scale_error)
    assert scales == sorted(scales, reverse=True)


def test_a_scale_error_is_the_same_in_every_bin_of_speed() -> None:
    pairs = flight()
    for b in by_speed(dataclasses.replace(pairs, error_m_s=-0.03 * pairs.truth_m_s)):
        assert b.scale_error == pytest.approx(-0.03, rel=1e-12)


def test_edges_are_round_and_a_constant_height_is_one_bin() -> None:
    pairs = flight()
    assert [b.low for b in by_height(pairs)] == pytest.approx([0.5, 1, 1.5, 2, 2.5, 3, 3.5])
    still = dataclasses.replace(pairs, height_m=np.full(4000, 2.0))
    assert [(b.low, b.high, b.rows) for b in by_height(still)] == [(2.0, 2.05, 4000)]


def test_rows_without_a_height_are_left_out_and_few_rows_have_no_sigma() -> None:
    pairs = flight()
    height = pairs.height_m.copy()
    height[:1000] = np.nan
    assert sum(b.rows for b in by_height(dataclasses.replace(pairs, height_m=height))) == 3000
    assert by_height(dataclasses.replace(pairs, height_m=np.full(4000, np.nan))) == []
    height = np.full(4000, 1.0)
    height[:10] = 3.0
    few = by_height(dataclasses.replace(pairs, height_m=height))[-1]
    assert (few.rows, few.right.bias_sigma_m_s, few.scale_error) == (10, None, None)


def test_the_worst_moments_are_those_put_in() -> None:
    pairs = flight()
    error, sigma = 0.1 * pairs.error_m_s, pairs.sigma_m_s.copy()
    error[500] = [0.3, -0.4, 0.0]  # 0.5 m/s level, at 10 s
    error[510] = [0.3, 0.2, 0.0]  # within a second of it
    error[2000, 1] = -0.2  # at 40 s, where the row says so: two sigma
    sigma[2000] = 0.1
    error[3000, 2] = 0.09  # at 60 s: nine sigma down, no level error
    pairs = dataclasses.replace(pairs, error_m_s=error, sigma_m_s=sigma)
    largest, farthest = largest_errors(pairs), farthest_outside(pairs, 1.96)
    assert [m.time_s for m in largest[:2]] == [10.0, 40.0]
    assert (largest[0].forward_error_m_s, largest[0].right_error_m_s) == (0.3, -0.4)
    assert largest[0].sigmas == pytest.approx(40)
    assert [m.time_s for m in farthest[:2]] == [10.0, 60.0]
    assert farthest[1].down_error_m_s == 0.09
    assert farthest[1].sigmas == pytest.approx(9)
    assert farthest[2].sigmas == pytest.approx(2)  # 40 s, just outside
    times = np.sort([m.time_s for m in largest])
    assert len(times) == 5 and np.diff(times).min() >= 1.0


def test_an_honest_log_has_nothing_outside_and_a_sigma_of_zero_no_ratio() -> None:
    pairs = flight()
    assert farthest_outside(dataclasses.replace(pairs, sigma_m_s=np.full((4000, 3), 1.0)), 1.96) == []
    moments = farthest_outside(dataclasses.replace(pairs, sigma_m_s=np.zeros((4000, 3))), 1.96)
    assert len(moments) == 5 and moments[0].sigmas is None
