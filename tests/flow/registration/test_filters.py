"""Filters against what they are to be exact for, and against waves whose derivative and shift are known."""

from __future__ import annotations

import numpy as np
import pytest

from flow.registration import filters


def test_smoothing_is_a_gaussian() -> None:
    bell = filters.smoothing()
    x = np.arange(-3, 4)
    assert bell.sum() == pytest.approx(1.0, abs=1e-12)
    # The variance of a sampled Gaussian of 0.75 px is that of the continuous one to 1e-3 (Poisson summation).
    assert (bell * x**2).sum() == pytest.approx(filters.SMOOTHING_PX**2, rel=2e-3)


def test_slope_is_exact_for_a_ramp_and_close_for_waves() -> None:
    kernel, x = filters.slope(), np.arange(-4, 5)
    assert kernel.sum() == pytest.approx(0.0, abs=1e-12)
    assert kernel @ x == pytest.approx(1.0, abs=1e-12)  # signed: rising values, positive slope
    # 4 %: least squares over the whole band; up to a third of the Nyquist frequency nothing in it is worse.
    for frequency in (0.05, 0.1, 0.15):
        wave = 2 * np.pi * frequency
        assert kernel @ np.sin(wave * x) == pytest.approx(wave, rel=0.04)


@pytest.mark.parametrize("phase", [0, 32, 100, 128, 200, 255])
def test_interpolation_is_exact_for_a_ramp_and_close_for_waves(phase: int) -> None:
    weights, at = filters.interpolation()[phase].astype(float), phase / filters.PHASES
    taps = np.arange(filters.TAPS) - (filters.TAPS // 2 - 1)
    assert weights.sum() == pytest.approx(1.0, abs=1e-6)
    assert weights @ taps == pytest.approx(at, abs=1e-6)
    for frequency in (0.05, 0.1, 0.15):
        wave = 2 * np.pi * frequency
        assert weights @ np.cos(wave * taps) == pytest.approx(np.cos(wave * at), abs=0.01)


def test_bilinear_weights_would_not_pass() -> None:
    # Mutation: at half a pixel bilinear interpolation weakens a wave of 0.15 cycles a pixel by 11 %.
    wave = 2 * np.pi * 0.15
    assert abs(0.5 * (1 + np.cos(wave)) - np.cos(0.5 * wave)) > 0.09
