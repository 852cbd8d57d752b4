"""Drift in windows against closed forms: constant errors, white noise, a sway of a whole period, holes."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from numpy.typing import NDArray

from flow.accuracy.drift import drift_over
from flow.accuracy.pairs import Pairs

Array = NDArray[np.float64]

RATE_HZ = 50


def pairs_of(error: Array, *, speed_m_s: float = 2.0, origin_s: float = 0.0) -> Pairs:
    """Rows one after the other with these errors (N, 3), flown straight on."""
    count = len(error)
    return Pairs(
        time_s=origin_s + (np.arange(count) + 0.5) / RATE_HZ,
        interval_s=np.full(count, 1 / RATE_HZ),
        truth_m_s=np.tile([speed_m_s, 0.0, 0.0], (count, 1)),
        error_m_s=error,
        sigma_m_s=np.full((count, 3), 0.01),
        height_m=np.full(count, 1.5),
        height_by_reference=True,
    )


def without(pairs: Pairs, lost: NDArray[np.bool_]) -> Pairs:
    held = {f.name: getattr(pairs, f.name) for f in dataclasses.fields(pairs)}
    return Pairs(**{name: v[~lost] if isinstance(v, np.ndarray) else v for name, v in held.items()})


@pytest.mark.parametrize("window_s", [1.0, 10.0, 60.0])
@pytest.mark.parametrize("origin_s", [0.0, 1.7e9])
def test_constant_errors_grow_with_the_window(window_s: float, origin_s: float) -> None:
    found = drift_over(pairs_of(np.tile([0.03, -0.04, 0.02], (70 * RATE_HZ, 1)), origin_s=origin_s), window_s)
    # 0.05 m/s level, 0.02 m/s down, over the window; 2 m/s flown. Times near 1.7e9 s are known to 2.4e-7 s.
    assert found.level_rms_m == pytest.approx(0.05 * window_s, rel=1e-6)
    assert found.worst_m == pytest.approx(0.05 * window_s, rel=1e-6)
    assert found.down_rms_m == pytest.approx(0.02 * window_s, rel=1e-6)
    assert found.share_of_distance == pytest.approx(0.025, rel=1e-6)
    assert found.windows == 70 // window_s
    # Independent rows of this size would add up as sqrt(rows in the window).
    assert found.if_independent_m == pytest.approx(0.05 * np.sqrt(window_s / RATE_HZ), rel=1e-6)


def test_white_noise_grows_with_the_square_root() -> None:
    sigma, error = 0.1, np.random.default_rng(5).normal(0, 0.1, (600 * RATE_HZ, 3))
    for window_s in (1.0, 10.0):
        found = drift_over(pairs_of(error), window_s)
        # Closed form: sigma sqrt(interval window) an axis, two of them. 600 / window independent windows know
        # a spread of two axes to 1 / sqrt(4 * 600 / window); four of those.
        expected = sigma * np.sqrt(2 * window_s / RATE_HZ)
        assert found.level_rms_m == pytest.approx(expected, rel=4 / np.sqrt(4 * 600 / window_s))
        assert found.if_independent_m == pytest.approx(expected, rel=0.02)


def test_an_error_that_sways_drifts_by_the_part_of_its_period() -> None:
    # b cos(w t) over a window T from t on: (b / w) (sin(w (t + T)) - sin(w t)), RMS (2 b / w) |sin(w T / 2)| / sqrt 2.
    # A second is half a period of 2 s here; ten seconds are five whole ones and leave nothing.
    b, w = 0.1, np.pi
    t = (np.arange(100 * RATE_HZ) + 0.5) / RATE_HZ
    error = np.column_stack([b * np.cos(w * t), 0 * t, 0 * t])
    half, whole = (drift_over(pairs_of(error), window_s) for window_s in (1.0, 10.0))
    assert half.level_rms_m == pytest.approx(2 * b / w / np.sqrt(2), rel=5e-3)  # begins at rows, 1 % of a period
    assert half.worst_m == pytest.approx(2 * b / w, rel=5e-3)
    assert half.worst_begin_s is not None
    assert half.worst_begin_s % 1.0 == pytest.approx(0.5, abs=0.02)  # from crest to trough of the integral
    assert whole.level_rms_m == pytest.approx(0.0, abs=1e-9)


def test_the_worst_window_is_where_the_error_was() -> None:
    error = np.zeros((30 * RATE_HZ, 3))
    error[12 * RATE_HZ : 13 * RATE_HZ, 1] = 0.2
    found = drift_over(pairs_of(error), 1.0)
    assert found.worst_m == pytest.approx(0.2)
    assert found.worst_begin_s == pytest.approx(12.0)


def test_holes_count_with_the_mean_error_and_long_ones_not_at_all() -> None:
    error = np.tile([0.05, 0.0, 0.0], (40 * RATE_HZ, 1))
    lost = np.arange(len(error)) % 10 == 9
    assert drift_over(without(pairs_of(error), lost), 10.0).level_rms_m == pytest.approx(0.5, rel=1e-3)
    third = np.arange(len(error)) % 10 >= 6
    sparse = drift_over(without(pairs_of(error), third), 10.0)
    assert (sparse.windows, sparse.level_rms_m, sparse.worst_m) == (0, None, None)
    # 3 s without rows: no ten seconds over it are 80 % covered, and 20 s of the 40 lie on each side.
    split = without(pairs_of(error), (np.arange(len(error)) // RATE_HZ >= 18) & (np.arange(len(error)) // RATE_HZ < 21))
    assert drift_over(split, 10.0).level_rms_m == pytest.approx(0.5)


def test_too_short_a_log_and_a_hover() -> None:
    error = np.tile([0.05, 0.0, 0.0], (5 * RATE_HZ, 1))
    assert drift_over(pairs_of(error), 10.0).level_rms_m is None
    assert drift_over(pairs_of(error, speed_m_s=0.0), 1.0).share_of_distance is None
    assert drift_over(pairs_of(error), 5.0).windows == 1
