"""The block jackknife against SciPy's regression, closed forms of correlated noise, and itself."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal
import scipy.stats
from numpy.typing import NDArray

from flow.accuracy.jackknife import mean, ratio, slope

Array = NDArray[np.float64]

DRAWS = 60
ROWS = 1000


def correlated(rng: np.random.Generator, rows: int, rho: float) -> Array:
    """First-order autoregressive noise of unit sigma: each row keeps ``rho`` of the one before."""
    white = rng.normal(size=rows + 300)
    return np.asarray(scipy.signal.lfilter([np.sqrt(1 - rho**2)], [1, -rho], white)[300:])


def swaying(rows: int) -> Array:
    t = np.arange(rows) / 50
    return np.asarray(np.sin(1.3 * t) + 0.4 * np.sin(3.1 * t))


def test_slope_is_that_of_scipy() -> None:
    rng = np.random.default_rng(1)
    x = 1e6 + rng.normal(size=400)  # far from zero: squares would cancel
    y = 0.03 * x + rng.normal(0, 0.1, 400)
    assert slope(y, x).value == pytest.approx(scipy.stats.linregress(x, y).slope, rel=1e-8)


def test_slope_sigma_is_that_of_scipy_on_independent_errors() -> None:
    rng = np.random.default_rng(2)
    x = swaying(ROWS)
    found, scipys = [], []
    for _ in range(DRAWS):
        y = 0.02 * x + rng.normal(0, 0.1, ROWS)
        found.append(slope(y, x).sigma)
        scipys.append(scipy.stats.linregress(x, y).stderr)
    # One sigma scatters by 22 % (20 blocks), the mean of 60 by 3 %; adding only positive covariances of
    # neighbours raises it by up to 9 %. Twice the one plus the other.
    assert np.mean(np.array(found, float)) == pytest.approx(np.mean(scipys), rel=0.15)


@pytest.mark.parametrize("rho", [0.0, 0.8, 0.95])
def test_mean_sigma_of_correlated_errors(rho: float) -> None:
    # Closed form: the variance of a mean of N rows is (1 + rho) / (1 - rho) / N to first order: independent
    # rows are rated 1, 3 and 6.2 times too sure.
    rng = np.random.default_rng(3)
    estimates = [mean(correlated(rng, ROWS, rho)) for _ in range(DRAWS)]
    sigma = np.mean([e.sigma for e in estimates if e.sigma is not None])
    assert sigma == pytest.approx(np.sqrt((1 + rho) / (1 - rho) / ROWS), rel=0.2)
    # And it is how far the estimates really scatter: 60 of them know their spread to 1/sqrt(118) = 9 %.
    assert np.std([e.value for e in estimates]) == pytest.approx(sigma, rel=0.3)


def test_neighbouring_blocks_count() -> None:
    # Errors that last as long as a block (50 rows): the closed form of rho = exp(-1/50). Blocks taken as
    # independent see at most 0.61 of that sigma (of the variance tau / b (1 - exp(-b / tau)) is lost, which is
    # 0.63 here), with their neighbours up to 0.88.
    rng = np.random.default_rng(4)
    rho = float(np.exp(-1 / 50))
    sigmas = [mean(correlated(rng, ROWS, rho)).sigma or 0.0 for _ in range(DRAWS)]
    assert 0.68 < np.mean(sigmas) / np.sqrt((1 + rho) / (1 - rho) / ROWS) < 0.95


def test_ratio_and_what_cannot_be_told() -> None:
    above, below = np.arange(1.0, 101), np.linspace(2, 4, 100)
    assert ratio(above, below).value == pytest.approx(above.sum() / below.sum())
    assert mean(np.arange(24.0)).sigma is None  # fewer than five blocks of five rows
    assert slope(above, np.ones(100)).sigma is None
    assert ratio(above, np.zeros(100)).sigma is None
    assert mean(np.full(100, 0.3)).sigma == pytest.approx(0.0, abs=1e-12)
