"""How long a baseline is, by closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from flow.pair.baseline import Increment, choose

PAIRS = np.arange(2.0, 17.0)
ALL = np.ones(len(PAIRS))


def test_the_walk_of_the_force_is_that_of_its_samples() -> None:
    # Monte-Carlo: white acceleration noise, summed up, averaged over the newest interval less over the whole baseline. 2000 draws
    # know a variance to 3 %, steps of a 40th of an interval to 2 %.
    rng, steps, walk, interval_s = np.random.default_rng(1), 40, 0.01, 1 / 60
    known = Increment(walk_m_s_rts=walk, change_sigma_m_s2=0.0, turned_rad=0.0)
    for pairs in (2, 6):
        noise = rng.normal(0, walk * np.sqrt(interval_s / steps), (2000, pairs * steps))
        total = np.cumsum(noise, axis=1)
        change = total[:, -steps:].mean(axis=1) - total.mean(axis=1)
        said = known.variance(interval_s, np.array([float(pairs)]), np.zeros(1))[0]
        assert said == pytest.approx(np.var(change), rel=0.1)


def test_gravity_and_arm_add_up() -> None:
    # Closed form: the middles of a row and of 5 pairs are 2 intervals apart; 7 mm of arm.
    known = Increment(walk_m_s_rts=0.0, change_sigma_m_s2=0.03, turned_rad=0.5)
    said = known.variance(0.02, np.array([5.0]), np.array([0.3]))[0]
    assert said == pytest.approx((0.03**2 + 0.04**2) * 0.04**2 + (0.007 * 0.3) ** 2)


def test_the_best_baseline_has_the_least_variance() -> None:
    # Closed form: a / m^2 + b m^2 is least at m^4 = a / b.
    assert choose(PAIRS, ALL, 1e-4, 1e-4, 1e-4, 1e-4 * PAIRS**2 / 6**4) == 6


@pytest.mark.parametrize(
    ("whole", "image", "shared", "increment"),
    [
        (1e-4, 0.4e-4, 1.0, 0.0),  # most is not the images': height, say
        (1e-4, 1e-4, 0.7, 0.0),  # no baseline shares enough of the view
        (1e-4, 1e-4, 1.0, 1e-4),  # the accelerometer is no better than the images
    ],
)
def test_what_is_not_worth_its_time_stays_a_pair(whole: float, image: float, shared: float, increment: float) -> None:
    assert choose(PAIRS, shared * ALL, whole, image, image, increment * ALL) == 1
