"""Single samples that no craft can have turned by are found; everything else is left alone. Expected by construction."""

from __future__ import annotations

import numpy as np
import pytest

from flow.faults.spikes import Spikes
from flow.series import GyroSamples

STEP_S = 0.0025


def kept(rate: np.ndarray, chunk: int) -> np.ndarray:
    spikes, times = Spikes(), np.arange(len(rate)) * STEP_S
    parts = [slice(k, k + chunk) for k in range(0, len(rate), chunk)]
    force = np.tile([0.0, 0.0, -9.8], (len(rate), 1))
    given = [
        spikes.without_spikes(GyroSamples(time_s=times[p], rate_rad_s=rate[p], accel_m_s2=force[p])) for p in parts
    ]
    marks = np.isin(times, np.concatenate([g.time_s for g in given]))
    np.testing.assert_array_equal(np.concatenate([g.rate_rad_s for g in given]), rate[marks])  # each once, in order
    assert spikes.count == np.count_nonzero(~marks)
    return marks


def turning(count: int = 800) -> np.ndarray:
    t = np.arange(count) * STEP_S
    swing = 2 * np.column_stack([np.sin(9 * t), np.cos(7 * t), np.sin(5 * t + 1)])
    return swing + np.random.default_rng(1).normal(0, 5e-3, (count, 3))


@pytest.mark.parametrize("chunk", [1, 7, 1000])
@pytest.mark.parametrize("size_rad_s", [0.7, 4.0, 35.0])
def test_single_samples_that_stand_out_go(chunk: int, size_rad_s: float) -> None:
    rng, rate = np.random.default_rng(2), turning()
    at = np.cumsum(rng.integers(25, 60, 18))
    rate[at, rng.integers(0, 3, 18)] += rng.choice([-size_rad_s, size_rad_s], 18)
    np.testing.assert_array_equal(kept(rate, chunk), ~np.isin(np.arange(len(rate)), at))


@pytest.mark.parametrize("chunk", [1, 7, 1000])
@pytest.mark.parametrize(
    "more",
    [
        np.zeros(800),
        np.where(np.arange(800) > 400, 3.0, 0.0),  # a blow: the rate changes at once, and stays
        0.8
        * np.sin(2 * np.pi * 180 * STEP_S * np.arange(800)),  # motors shake at 180 Hz, as fast as a log of 400 Hz shows
        0.4 * np.random.default_rng(5).normal(size=800),
    ],
)
def test_what_a_craft_does_stays(chunk: int, more: np.ndarray) -> None:
    assert kept(turning() + more[:, None], chunk)[50:].all()  # what is usual is known by then
