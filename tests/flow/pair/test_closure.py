"""What lasts in the error of pairs, by closures with known truth."""

from __future__ import annotations

import numpy as np
import pytest

from flow.pair.closure import Closure

PX, COUNT = 0.2, 4  # m/s that move the image by one pixel in a pair; pairs
PAIR, WHOLE = 0.01, 0.004  # m/s, one-sigma of a pair and of the one registration


def found_px(pull_px: float, seed: int = 0) -> np.ndarray:
    closure, rng = Closure(), np.random.default_rng(seed)
    for _ in range(400):
        pairs, whole = rng.normal(0, PAIR, (COUNT, 3)), rng.normal(0, WHOLE, 3)
        apart = pairs.mean(axis=0) + pull_px * PX * np.array([0.6, -0.8, 0.0]) * np.sqrt(2) - whole
        closure.add(1 / 15, apart, np.full(3, PAIR**2), np.full(3, WHOLE**2), PX, COUNT)
    return np.sqrt(closure.lasting_px2)


@pytest.mark.parametrize("pull_px", [0.03, 0.1])
def test_a_pull_is_found(pull_px: float) -> None:
    # Closed form: independent pairs leave var / 4, both level directions pooled the mean square of the pull. 3 s are 45 closures
    # of two axes: noise of 0.032 px (0.0064 m/s) leaves 0.007 px^2 * sqrt(2 / 90): 10 % of the smaller pull, three sigmas 30 %.
    assert found_px(pull_px)[0] == pytest.approx(pull_px, rel=0.3 if pull_px < 0.05 else 0.1)


def test_noise_is_no_pull() -> None:
    # The same without a pull: twice out of three the mean is below 0 or less than its own chance, 0.012 px.
    assert np.median([found_px(0.0, seed)[0] for seed in range(20)]) < 0.013


def test_a_closure_counts_as_much_as_it_tells() -> None:
    # The first two pairs of a flight, when an image may err by anything: closed form, it weighs (10^2)^-2 of each that follows, and
    # says -1 px^2. Ten of those say 0.01 px^2.
    closure = Closure()
    closure.add(np.inf, np.zeros(3), np.full(3, 1.0), np.full(3, 0.5), 1.0, 2)
    assert (closure.lasting_px2 == 0).all()
    for _ in range(10):
        closure.add(0.1, np.full(3, np.sqrt(0.02)), np.full(3, 0.02), np.full(3, 0.005), 1.0, 4)
    assert closure.lasting_px2[0] == pytest.approx(0.01, rel=0.01)
