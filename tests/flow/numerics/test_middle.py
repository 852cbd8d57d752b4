"""Medians and shares against NumPy's sort and mean."""

from __future__ import annotations

import numpy as np
import pytest

from flow.numerics.middle import share_of, upper_median, upper_middle


@pytest.mark.parametrize("count", [1, 2, 3, 10, 299, 300])
@pytest.mark.parametrize("kinds", [1, 3, 10**6])
def test_middle_is_that_of_the_sorted_values(count: int, kinds: int) -> None:
    # Exact: it is one of the values. Few kinds of values are many equal ones.
    rng = np.random.default_rng(count + kinds)
    for _ in range(20):
        values = rng.integers(0, kinds, count) / 7.0
        ordered, as_given = np.sort(values), values.copy()
        assert upper_middle(values) == upper_median(values) == ordered[count // 2]
        assert upper_median(values, 0.25) == ordered[int(0.25 * count)]
        np.testing.assert_array_equal(values, as_given)


def test_share_is_the_mean_of_the_marks() -> None:
    marks = np.random.default_rng(1).random(300) < 0.3
    assert share_of(marks) == pytest.approx(marks.mean(), abs=1e-15)
