"""How long a baseline is, by closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from flow.pair.baseline import choose

PAIRS = np.arange(2.0, 17.0)
ALL = np.ones(len(PAIRS))


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
