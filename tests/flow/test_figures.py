"""A figure and its sigma end at the same decimal."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flow.figures import with_sigma


@pytest.mark.parametrize(
    ("value", "sigma", "unit", "shown"),
    [
        # The guide's own example (JCGM 100:2008, 7.2.2): 100.021 47 g with 0.35 mg.
        (100.02147, 0.00035, "g", "100.02147 ± 0.00035 g"),
        (10.05762, 0.027, "Ω", "10.058 ± 0.027 Ω"),  # 7.2.6: 10.057 62 with 27 mΩ is rounded to 10.058
        (0.0, 0.0996, "ms", "0.00 ± 0.10 ms"),
        (-1e-9, 0.5, "", "0.00 ± 0.50"),
        (98765.0, 4321.0, "px", "98800 ± 4300 px"),
        (1.0, math.inf, "", "1 ± unknown"),
        (0.014, 0.0, "s", "0.014 s"),
        (1.0, None, "", "1"),
    ],
)
def test_as_the_guide_writes_it(value: float, sigma: float, unit: str, shown: str) -> None:
    assert with_sigma(value, sigma, unit) == shown


@given(value=st.floats(-1e6, 1e6), sigma=st.floats(1e-9, 1e6))
def test_both_end_at_the_same_decimal(value: float, sigma: float) -> None:
    first, second = with_sigma(value, sigma).split(" ± ")
    ends = [len(part.partition(".")[2]) for part in (first, second)]
    assert ends[0] == ends[1]
    digits = re.sub(r"^0+", "", second.replace(".", ""))
    assert len(digits) == 2 or (float(second) >= 100 and set(digits[2:]) <= {"0"})
    assert float(second) == pytest.approx(sigma, rel=0.05 + 1e-9)  # half a unit of the second digit of 1.0
    # Half a unit of the last digit kept: the sigma's second, at most a tenth of the sigma.
    assert abs(float(first) - value) <= 0.051 * sigma + 1e-9 * abs(value)
