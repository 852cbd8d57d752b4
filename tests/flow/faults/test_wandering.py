"""What a speed wanders by against the force: Monte-Carlo with a known amount of it."""

from __future__ import annotations

import numpy as np
import pytest

from flow.faults.wandering import Wandering

STEP_S, NOISE_M_S = 1 / 40, 0.003


def heard(wandering: Wandering, missed: np.ndarray, sigma_m_s: float = NOISE_M_S, lag_m_s: float = 0.0) -> Wandering:
    """Let it hear rows that miss what is expected by so much (N, 3), of that sigma."""
    for miss in missed:
        wandering.learn(STEP_S, miss, np.zeros(3), np.full(3, sigma_m_s**2), 1.0, lag_m_s)
    return wandering


def noise(seconds: float, sigma_m_s: float, seed: int) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, sigma_m_s, (round(seconds / STEP_S), 3))


def test_how_much_is_found() -> None:
    # Closed form: the mean square of 50 mm/s and of noise, less noise and what the force leaves itself (12 mm/s). 15 %: a running
    # mean over one second of 40 rows of chi-square is known to 1 / sqrt(2 * 40) of a sigma, 11 %, over ten seeds less.
    found = [heard(Wandering(), noise(5, 0.05, seed) + noise(5, NOISE_M_S, seed + 50)).m_s for seed in range(10)]
    assert np.sqrt(np.mean(np.square(found))) == pytest.approx(np.sqrt(0.05**2 - 0.012**2), rel=0.15)


def test_noise_is_none_of_it() -> None:
    assert all((heard(Wandering(), noise(5, NOISE_M_S, seed)).m_s == 0).all() for seed in range(10))


def test_what_is_hardly_known_tells_little_either_way() -> None:
    # A second in which the expectation errs by 0.3 m/s, as before gravity is known, and says so: it is not taken for wandering, nor
    # does it make up for what comes after. Closed form: such a row weighs (0.012 / 0.3)^2 of a good one, next to nothing.
    early = heard(Wandering(), noise(1, 0.3, 1), 0.3)
    assert (early.m_s == 0).all()
    after = noise(0.5, 0.05, 2)
    known, fresh = heard(early, after).m_s, heard(Wandering(), after).m_s
    assert known == pytest.approx(fresh, rel=0.1)


def test_what_is_expected_may_lag() -> None:
    # Gravity that is not known yet holds what is expected 20 mm/s off, and that is what its sigma says: no speed wanders. Without
    # the sigma it would be told, as the mean square less what the force leaves itself, 12 mm/s.
    missed = noise(5, NOISE_M_S, 3) + 0.02
    assert (heard(Wandering(), missed, lag_m_s=0.02).m_s == 0).all()
    # The rows themselves are 35 mm/s fast here, and of their speed 0.8 % is the force's own.
    assert heard(Wandering(), missed).m_s == pytest.approx(np.sqrt(0.02**2 - 0.0123**2), rel=0.15)
