"""Samples at a gyro's rail are found; everything else is left alone. Expected by construction."""

from __future__ import annotations

import numpy as np
import pytest

from flow.faults.rails import Rails
from flow.series import GyroSamples


def kept(rate: np.ndarray, chunk: int) -> np.ndarray:
    rails, times = Rails(), np.arange(len(rate)) * 0.01
    rates = np.column_stack([rate, 0 * rate, -rate / 3])
    parts = [slice(k, k + chunk) for k in range(0, len(rate), chunk)]
    given = [rails.without_saturated(GyroSamples(time_s=times[p], rate_rad_s=rates[p], accel_m_s2=None)) for p in parts]
    return np.isin(times, np.concatenate([g.time_s for g in given]))


@pytest.mark.parametrize("chunk", [1, 7, 1000])
def test_all_but_the_first_of_each_run_at_the_rail_go(chunk: int) -> None:
    turn = 4 * np.sin(np.arange(200) / 20)
    clipped = np.clip(turn, -2.18, 2.18)
    at_rail = np.abs(clipped) == 2.18
    follows = at_rail & np.concatenate([[False], at_rail[:-1]])
    np.testing.assert_array_equal(kept(clipped, chunk), ~follows)


@pytest.mark.parametrize(
    "rate", [4 * np.sin(np.arange(200) / 20), np.full(50, 3.7), np.zeros(50), np.repeat(np.arange(9) / 9, 5)]
)
def test_a_rate_that_is_measured_stays(rate: np.ndarray) -> None:
    assert kept(rate, 7).all()


@pytest.mark.parametrize("chunk", [1, 7, 1000])
def test_a_range_that_software_cuts_is_found_once_it_shows(chunk: int) -> None:
    # A swing of 0.6 rad/s with noise, cut at 0.45: of each run at the limit the first three may be chance.
    swing = 0.6 * np.sin(np.arange(400) / 20 - 0.4) + np.random.default_rng(3).normal(0, 2e-3, 400)
    cut = np.clip(swing, -0.45, 0.45)
    at_limit = np.abs(cut) == 0.45
    late = at_limit & np.all([np.roll(cut, k) == cut for k in (1, 2, 3)], axis=0)
    assert late.sum() > 100
    np.testing.assert_array_equal(kept(cut, chunk), ~late)
    assert kept(swing, chunk).all()


@pytest.mark.parametrize("steps", [0.001, 0.0175])  # 16 bits over 2000 deg/s; whole degrees a second
@pytest.mark.parametrize("repeats", [1, 4])  # and filled up from a slower sensor
def test_a_coarse_reading_at_the_crest_of_a_wave_stays(steps: float, repeats: int) -> None:
    wave = np.round(0.7 * np.sin(np.arange(400) / 30) / steps) * steps
    assert kept(np.repeat(wave, repeats), 7).all()
