"""The overlapping Allan deviation against NIST SP 1065 (Riley 2008) and against allantools."""

from __future__ import annotations

import numpy as np
import pytest

from calib.allan import estimator_covariance, model_variance, overlapping_deviation

NINE = np.array([892, 809, 823, 798, 671, 644, 883, 903, 677], float)


def thousand() -> np.ndarray:
    """SP 1065's pseudo-random set: n <- 16807 n mod 2147483647 from 1234567890, over 2147483647."""
    n, out = 1234567890, []
    for _ in range(1000):
        out.append(n / 2147483647)
        n = 16807 * n % 2147483647
    return np.array(out)


def test_nine_frequencies_of_sp_1065_pages_107_and_108():
    # Printed to seven digits: half a unit of the last one.
    found = overlapping_deviation(NINE, 1.0, np.array([1, 2]))
    assert found[0] == pytest.approx(91.22945, abs=5e-6)
    assert found[1] == pytest.approx(85.95287, abs=5e-6)


def test_thousand_points_of_sp_1065():
    found = overlapping_deviation(thousand(), 1.0, np.array([1, 10, 100]))
    assert found == pytest.approx([0.2922319, 0.09159953, 0.03241343], abs=5e-8)


@pytest.mark.parametrize("interval_s", [0.005, 2.0])
def test_allantools_gives_the_same_deviation(interval_s):
    allantools = pytest.importorskip("allantools", reason="allantools is a test dependency")
    rate = np.random.default_rng(11).standard_normal(4000).cumsum() * 1e-5 + 3.0
    factors = np.array([1, 3, 16, 250, 1900])
    tau, expected, *_ = allantools.oadev(rate, rate=1 / interval_s, data_type="freq", taus=factors * interval_s)
    assert tau == pytest.approx(factors * interval_s)
    # Both sum the same second differences of a phase of about 1e4: rounding alone separates them.
    assert overlapping_deviation(rate, interval_s, factors) == pytest.approx(expected, rel=1e-7)


def test_spread_of_the_estimator_has_the_degrees_of_freedom_of_sp_1065():
    """White noise, by allantools ``edf_simple``, which is SP 1065's simple formula."""
    allantools = pytest.importorskip("allantools", reason="allantools is a test dependency")
    duration_s, interval_s = 600.0, 0.005
    tau_s = 0.2 * 2.0 ** np.arange(7)
    white = np.array([1.0, 0.0, 0.0])
    variance = model_variance(white, tau_s)
    ours = 2 * variance**2 / np.diag(estimator_covariance(white, tau_s, duration_s))
    samples = round(duration_s / interval_s)
    theirs = np.array([allantools.edf_simple(samples, round(tau / interval_s), 0) for tau in tau_s])
    # Ours counts the span that overlaps once (T - 2 tau) instead of approximating its ends: 2 tau / T apart,
    # 4 per cent at 12.8 s.
    assert ours == pytest.approx(theirs, rel=0.04)
    assert np.all(ours < 1.01 * theirs)
