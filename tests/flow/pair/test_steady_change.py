"""Gravity and bias together: a line through velocity less integrated force."""

from __future__ import annotations

import numpy as np
import pytest

from flow.pair.steady_change import SteadyChange

STEP_S, SLOPE = 1 / 60, np.array([9.8, -0.2, 0.05])


def test_a_line_is_found_with_its_sigma() -> None:
    # Closed form: weights exp(-t / 1 s) over 60 rows a second have an effective 60 rows and a spread of 1 s: the slope of white
    # noise s is known to s / sqrt(60) / 1 s if every weight were its own row; fading rows make that sqrt(2) too wide at most.
    # Monte-Carlo over 40 logs and 3 axes: 6 % of chance in a sigma.
    sigma, errors, said = 0.02, [], []
    for seed in range(40):
        steady, rng = SteadyChange(), np.random.default_rng(seed)
        for k in range(400):
            steady.add(k * STEP_S, SLOPE * k * STEP_S + rng.normal(0, sigma, 3))
        errors.append(steady.m_s2 - SLOPE)
        said.append(steady.sigma_m_s2)
    ratio = np.sqrt(np.mean(np.square(errors))) / np.mean(said)
    assert 0.45 < ratio < 1.0, ratio


def test_nothing_is_known_at_first_and_after_a_gap() -> None:
    steady = SteadyChange()
    for k in range(40):
        steady.add(k * STEP_S, SLOPE * k * STEP_S)
        assert (steady.sigma_m_s2 < np.inf) == (k * STEP_S >= 0.3)
    np.testing.assert_allclose(steady.at(1.0), SLOPE, rtol=1e-9)
    steady.add(2.0, np.zeros(3))
    assert steady.sigma_m_s2 == np.inf


@pytest.mark.parametrize("interrupted", [False, True])
def test_what_jumps_is_no_line(interrupted: bool) -> None:
    # The accelerometer's integral begins anew at 0: told, the line begins anew, too; untold it is a slope of its own.
    steady = SteadyChange()
    for k in range(120):
        if k == 60 and interrupted:
            steady.interrupt()
        steady.add(k * STEP_S, SLOPE * (k % 60) * STEP_S)
    off = float(np.abs(steady.m_s2 - SLOPE).max())
    assert off < 1e-6 if interrupted else off > 1.0
