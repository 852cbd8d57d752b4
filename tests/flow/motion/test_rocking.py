"""How hard a body rocks, by closed forms."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from flow.motion.rocking import Rocking
from flow.rotation import skew

STEP_S = 1 / 60


def rocked(rad: float, hz: float, seconds: float = 6.0) -> Rocking:
    """Feed a body that rocks about an axis while it yaws by 2 rad/s."""
    rocking, times = Rocking(0.7), np.arange(0, seconds, STEP_S)
    roll = Rotation.from_rotvec(np.outer(rad * np.sin(2 * np.pi * hz * times), [0.6, 0.8, 0.0]))
    turns = (Rotation.from_rotvec(np.outer(2.0 * times, [0, 0, 1])) * roll).as_matrix()
    for before, now in itertools.pairwise(turns):
        rocking.add(before, now, STEP_S)
    return rocking


def test_a_body_that_rocks() -> None:
    # Closed form: A w^2 / sqrt(2) of angular acceleration. Steps of 60 a second see 1 % less at 2 Hz, the body rates of the yaw add
    # 2 %; the square over 0.7 s ripples by 6 % at 4 Hz, twice the frequency of the rocking.
    known = 0.1 * (2 * np.pi * 2) ** 2 / np.sqrt(2)
    assert rocked(0.1, 2.0).per_arm_rad_s2 == pytest.approx(np.sqrt(2 / 3) * known, rel=0.08)


def test_an_even_turn_is_no_rocking() -> None:
    # What was assumed at first is forgotten: exp(-6 / 0.7 / 2) of 5 rad/s^2.
    assert rocked(0.0, 1.0).per_arm_rad_s2 < 0.1


def test_the_share_of_an_arm() -> None:
    # Monte-Carlo: arms of independent components; 20,000 draws know an RMS to half a per cent.
    rng = np.random.default_rng(2)
    alpha, arms = np.array([1.0, -2.0, 3.0]), rng.normal(0, 1, (20000, 3))
    felt = arms @ skew(alpha[None])[0].T
    assert np.sqrt(np.mean(felt**2)) == pytest.approx(np.sqrt(2 / 3) * np.linalg.norm(alpha), rel=0.02)
